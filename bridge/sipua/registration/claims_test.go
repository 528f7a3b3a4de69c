package registration

import (
	"net/netip"
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/assert"

	"clearback/bridge/sipua/endpoint"
)

// Credentials name a line before From does, whether or not they are right.
func TestClaimed(t *testing.T) {
	t.Parallel()
	r := NewRegistrar(RegistrarOptions{Realm: realm, Accounts: []Account{
		{Line: "box-office", User: "box", Password: secret}, {Line: "stage-door", User: "stage", Password: secret},
		{Line: "workshop", Fixed: &sip.Uri{Scheme: "sip", Host: "127.0.0.1"}}}}) // without a user
	for q, want := range map[[2]string]string{{"box", ""}: "box-office", {"box", "stage"}: "stage-door",
		{"box", "nobody"}: "", {"", ""}: ""} {
		req := sip.NewRequest(sip.REGISTER, sip.Uri{})
		req.AppendHeader(&sip.FromHeader{Address: sip.Uri{User: q[0], Host: "127.0.0.1"}})
		if q[1] != "" {
			req.AppendHeader(sip.NewHeader("Authorization", `Digest username="`+q[1]+`", realm="`+realm+
				`", nonce="n", uri="sip:x", response="0"`))
		}
		assert.Equal(t, want, r.Claimed(&endpoint.Request{Request: req}), q)
	}
}

// An address that two adapters use belongs to neither alone.
func TestSources(t *testing.T) {
	t.Parallel()
	at := func(port int) *sip.Uri { return &sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: port} }
	r := NewRegistrar(RegistrarOptions{Realm: realm, Accounts: []Account{{Line: "box-office", Fixed: at(5060)},
		{Line: "stage-door", Fixed: at(5060)}, {Line: "workshop", Fixed: at(5062)}, {Line: "green-room"}}})
	assert.Empty(t, r.Sources("box-office"))
	assert.Equal(t, []netip.AddrPort{netip.MustParseAddrPort("127.0.0.1:5062")}, r.Sources("workshop"))
	assert.Empty(t, r.Sources("green-room"), "not registered")
	assert.Empty(t, r.Sources("foyer"))
	nat := netip.MustParseAddrPort("192.0.2.7:40000")
	r.table().byLine["workshop"].source = nat
	assert.Equal(t, []netip.AddrPort{netip.MustParseAddrPort("127.0.0.1:5062"), nat}, r.Sources("workshop"))
}
