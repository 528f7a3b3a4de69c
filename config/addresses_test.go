package config

import (
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every address that the daemon listens on is known with the keys that name it, once, and no key that is a default.
func TestAddresses(t *testing.T) {
	t.Parallel()
	at := func(s string) Socket { return Socket{Listen: netip.MustParseAddrPort(s)} }
	own := at("192.0.2.12:5062")
	c := &Config{
		SIP: SIP{AdapterSide: at("192.0.2.10:5060"), ServiceSide: at("192.0.2.10:5070")},
		Media: Media{AdapterAddress: netip.MustParseAddr("192.0.2.10"),
			ServiceAddress: netip.MustParseAddr("192.0.2.13")},
		Lines: []Line{{Media: "direct"}, {Adapter: Adapter{Socket: &own}}},
	}
	want := []Address{
		{netip.MustParseAddr("192.0.2.10"), []string{"sip.adapter_side.listen", "sip.service_side.listen"}},
		{netip.MustParseAddr("192.0.2.12"), []string{"lines[1].adapter.socket.listen"}},
	}
	require.Equal(t, want, c.Addresses(), "no line relays media")
	c.Lines[1].Media = "relay"
	want = append(want, Address{netip.MustParseAddr("192.0.2.13"), []string{"media.service_address"}})
	require.Equal(t, want, c.Addresses())
	c.SIP.AdapterSide = at("0.0.0.0:5060")
	require.Equal(t, []string{"sip.service_side.listen", "media.adapter_address"}, c.Addresses()[0].Keys)
}
