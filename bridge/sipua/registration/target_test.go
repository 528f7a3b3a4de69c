package registration

import (
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// sameTarget follows RFC 7616 section 3.4.6, and RFC 3261 section 19.1.4 for escapes. What adapters leave out or add is
// from memory.
func TestSameTarget(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		method      sip.RequestMethod
		uri, target string
		same        bool
	}{
		{sip.INVITE, "sip:5550101@192.0.2.1", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "sip:5550101@192.0.2.1", "sip:5550101@millrace.example:5060;transport=udp", true},
		{sip.INVITE, "sip:5550101@millrace.example:5070;user=phone", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "SIP:5550101@192.0.2.1", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "sip:*31%235550101@192.0.2.1", "sip:*31#5550101@192.0.2.1", true},
		{sip.INVITE, "sip:5550101:pin@192.0.2.1", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "tel:5550101", "tel:555%30101", true},
		{sip.INVITE, "sip:5550101@192.0.2.1", "sip:5550102@192.0.2.1", false},
		{sip.INVITE, "sip:5550101@192.0.2.1", "sip:+5550101@192.0.2.1", false},
		{sip.INVITE, "sip:5550101@192.0.2.1", "sip:5550101;rn=5550102@192.0.2.1", false},
		{sip.INVITE, "sip:5550101@192.0.2.1", "tel:5550101", false},
		{sip.INVITE, "tel:5550101", "tel:5550102", false},
		{sip.INVITE, "sip:*31%2x5550101@192.0.2.1", "sip:*31%2x5550101@192.0.2.1", true},
		{sip.INVITE, "sip:*31%2x5550101@192.0.2.1", "sip:*31%2x5550102@192.0.2.1", false},
		{sip.INVITE, "sip:5550101@192.0.2.1", "sips:5550101@192.0.2.1", false},
		{sip.INVITE, "sip:192.0.2.1", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "SIP:192.0.2.1", "sip:5550101@192.0.2.1", true},
		{sip.INVITE, "sips:192.0.2.1", "sip:5550101@192.0.2.1", false},
		{sip.INVITE, "tel:", "tel:5550101", false},
		{sip.INVITE, "", "sip:5550101@192.0.2.1", false},
		{sip.INVITE, "5550101", "sip:5550101@192.0.2.1", false},
		{sip.INVITE, "*", "sip:5550101@192.0.2.1", false},
		{sip.REGISTER, "sip:stage-door@millrace.example", "sip:192.0.2.1:5060", true},
		{sip.REGISTER, "sip:millrace.example", "sip:stage-door@192.0.2.1", true},
		{sip.REGISTER, "sip:stage-door@millrace.example", "sip:workshop@millrace.example", false},
		{sip.REGISTER, "", "sip:192.0.2.1", false},
	} {
		var target sip.Uri
		require.NoError(t, sip.ParseUri(c.target, &target))
		require.Equal(t, c.same, sameTarget(c.method, c.uri, target), "%s %q for %s", c.method, c.uri, c.target)
	}
}

// authorizeFor makes credentials for any uri, as an unusual adapter or a replay has them.
func (w *testPeer) authorizeFor(m rawtest.Message, method, uri string, count int) {
	w.t.Helper()
	c, err := digest.ParseChallenge(m.Get("WWW-Authenticate"))
	require.NoError(w.t, err)
	cred, err := digest.Digest(c, digest.Options{Method: method, URI: uri, Username: "stage-door", Password: secret,
		Count: count})
	require.NoError(w.t, err)
	w.auth = "Authorization: " + cred.String()
}

// Right credentials that were made for another number give no access to this one (400: RFC 7616 section 3.4.6), and do
// not count as a wrong password. Those for another method are wrong, since the method is part of the hash (section
// 3.4.3).
func TestCredentialsForAnotherTarget(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("MESSAGE", "stage-door")
	for i, foreign := range []string{"sip:5550102@" + realm, "tel:5550102", "", "nothing"} {
		w.authorizeFor(m, "MESSAGE", foreign, i+1)
		require.Equal(t, 400, w.ask("MESSAGE", "stage-door").Code(), foreign)
	}
	require.EqualValues(t, 4, d.Counts().WrongTarget)
	require.Zero(t, d.Counts().Wrong)
	w.authorizeFor(m, "REGISTER", "sip:"+realm, 5)
	require.Equal(t, 401, w.ask("MESSAGE", "stage-door").Code())
	require.EqualValues(t, 1, d.Counts().Wrong)
	require.Empty(t, d.from)
	w.authorizeFor(m, "MESSAGE", "sip:192.0.2.1:5060;transport=udp", 6)
	require.Equal(t, 200, w.ask("MESSAGE", "stage-door").Code(), "by address, while the Request-URI has a name")
	require.Equal(t, "stage-door", <-d.from)
}

// Credentials for another Request-URI are accepted only if the caller of Authenticate allows that for their line, as it
// does for the end of a call and for an emergency call. A wrong password is never accepted.
func TestAnyTargetIsSaidOfTheLine(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m, count := w.ask("MESSAGE", "stage-door"), 0
	for _, c := range []struct {
		lines []string
		code  int
	}{
		{[]string{"X-Any-Target: stage-door"}, 200},
		{[]string{"X-Any-Target: workshop"}, 400},
		{[]string{"X-Call: yes", "X-Emergency-Of: stage-door"}, 200},
		{[]string{"X-Call: yes", "X-Emergency-Of: workshop"}, 400},
	} {
		count++
		w.authorizeFor(m, "MESSAGE", "sip:5550102@"+realm, count)
		require.Equal(t, c.code, w.ask("MESSAGE", "stage-door", c.lines...).Code(), c.lines)
		if c.code == 200 {
			require.Equal(t, "stage-door", <-d.from, c.lines)
		}
		w.try("MESSAGE", "stage-door", "wrong")
		require.Equal(t, 401, w.ask("MESSAGE", "stage-door", c.lines...).Code(), c.lines)
	}
	require.EqualValues(t, 2, d.Counts().WrongTarget)
	require.EqualValues(t, count, d.Counts().Wrong)
	require.Empty(t, d.from)
}

// A refresh is accepted with either form of the registrar's uri, so no such adapter loses its line.
func TestRegisterWithUserInTheUri(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	w := dial(t, "udp", d.e)
	m := w.ask("REGISTER", "stage-door", w.contact())
	for i, uri := range []string{"sip:" + realm, "sip:stage-door@" + realm,
		"sip:stage-door@192.0.2.1:5060;transport=udp"} {
		w.authorizeFor(m, "REGISTER", uri, i+1)
		require.Equal(t, 200, w.ask("REGISTER", "stage-door", w.contact()).Code(), uri)
	}
	w.authorizeFor(m, "REGISTER", "tel:5550101", 4)
	require.Equal(t, 400, w.ask("REGISTER", "stage-door", w.contact()).Code())
}
