package registration

import (
	"encoding/json"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
)

// saver stores the last saved binding of each line as text, as a file does.
type saver struct {
	mu   sync.Mutex
	text map[string][]byte
}

func (s *saver) save(line string, b *SavedBinding) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if delete(s.text, line); b != nil {
		s.text[line], _ = json.Marshal(b)
	}
}

func (s *saver) saved(line string) (b SavedBinding, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return b, json.Unmarshal(s.text[line], &b) == nil
}

// A registrar that starts with the bindings that an earlier one saved reaches the adapter at once. It refuses an older
// REGISTER (RFC 3261 section 10.3 step 7), and takes the adapter's next one as a refresh.
func TestBindingOutlivesTheRegistrar(t *testing.T) {
	t.Parallel()
	store := &saver{text: map[string][]byte{}}
	d := newTestRegistrarWith(t, RegistrarOptions{Save: store.save}, stageDoor())
	now := time.Now()
	d.frozen.Store(&now)
	w := dial(t, "udp", d.e)
	contact := strings.Replace(w.contact(), "stage-door@", "stage-door:4711@", 1)
	require.Equal(t, 200, w.register(contact, "User-Agent: box 1", "Expires: 120").Code())
	was, _ := d.Binding("stage-door")
	require.NotContains(t, string(store.text["stage-door"]), "4711", "the password of a URI is not saved")

	o := RegistrarOptions{Save: store.save, Saved: store.saved}
	again := newTestRegistrarWith(t, o, stageDoor())
	later := now.Add(time.Minute)
	again.frozen.Store(&later)
	is, ok := again.Binding("stage-door")
	require.True(t, ok)
	require.Equal(t, "sip:stage-door@"+w.Addr(), is.Contact.String())
	require.Equal(t, was.Destination, is.Destination)
	require.Equal(t, []string{"UDP", "box 1"}, []string{is.Transport, is.UserAgent})
	require.WithinDuration(t, was.Expires, is.Expires, time.Millisecond, "wall-clock time has no monotonic part")
	require.True(t, is.Registered.Equal(now) && is.Heard.Equal(now))
	require.EqualValues(t, 1, is.Generation)

	// the adapter, from another port, but with the same Contact
	other := dial(t, "udp", again.e)
	other.seq = w.seq - 2 // register sends two requests
	require.Equal(t, 500, other.register(w.contact()).Code(), "no newer than the last one")
	require.Equal(t, 200, other.register(w.contact()).Code())
	require.Empty(t, again.renewed, "a refresh")
	refreshed, _ := again.Binding("stage-door")
	require.True(t, refreshed.Registered.Equal(now) && refreshed.Heard.Equal(later))
	require.Equal(t, 200, other.register(other.contact()).Code())
	is, _ = again.Binding("stage-door")
	require.EqualValues(t, 2, is.Generation, "it has moved")
	require.True(t, is.Registered.Equal(later))
	saved, ok := store.saved("stage-door")
	require.True(t, ok)
	require.Equal(t, is.Destination, saved.Destination)
	require.Equal(t, other.Addr(), saved.Source.String())

	require.Equal(t, 200, other.register(other.contact(), "Expires: 0").Code())
	_, ok = store.saved("stage-door")
	require.False(t, ok, "a binding that was removed is not kept")
	_, ok = newTestRegistrarWith(t, o, stageDoor()).Binding("stage-door")
	require.False(t, ok)
}

// A binding is restored only if it certainly has not expired and fits the account.
func TestSavedBindingsThatAreNotRestored(t *testing.T) {
	t.Parallel()
	now := time.Now()
	const uptime = time.Hour // by the boot clock
	at, far := netip.MustParseAddrPort("192.0.2.20:5062"), netip.MustParseAddrPort("198.51.100.7:5060")
	account := (&Registrar{realm: realm}).account(stageDoor())
	good := SavedBinding{User: "stage-door", Salt: []byte("salt"), Hash: account.passwordHash([]byte("salt")),
		Contact: "sip:stage-door@192.0.2.20:5062", Destination: at, Source: at, Transport: "UDP", CallID: "boot-1",
		CSeq:       4,
		Registered: now.Add(-time.Hour), Heard: now.Add(-time.Minute), Expires: now.Add(time.Minute),
		Boot: BootID(), Ends: uptime + time.Minute}
	within := []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	fixed := sip.Uri{User: "stage-door", Host: "192.0.2.99", Port: 5060}
	for name, c := range map[string]struct {
		change func(*SavedBinding, *Account)
		want   string // the destination; "" if the binding is not restored
	}{
		"as it is":               {func(*SavedBinding, *Account) {}, at.String()},
		"its address is allowed": {func(_ *SavedBinding, a *Account) { a.AllowFrom = within }, at.String()},
		"heard right now":        {func(b *SavedBinding, _ *Account) { b.Heard = now }, at.String()},
		"expires last of all": {func(b *SavedBinding, _ *Account) {
			b.Expires, b.Ends = now.Add(maxExpires), uptime+maxExpires
		}, at.String()},
		// The user agent connects to the Contact, since the connection is gone.
		"TCP": {func(b *SavedBinding, _ *Account) { b.Transport = "TCP" }, at.String()},

		"expires right now":        {func(b *SavedBinding, _ *Account) { b.Expires = now }, ""},
		"the clock was set back":   {func(b *SavedBinding, _ *Account) { b.Heard = now.Add(1) }, ""},
		"the machine slept":        {func(b *SavedBinding, _ *Account) { b.Ends = uptime }, ""},
		"by an old version":        {func(b *SavedBinding, _ *Account) { b.Ends = 0 }, ""},
		"the machine has started":  {func(b *SavedBinding, _ *Account) { b.Ends = uptime + maxExpires + 1 }, ""},
		"another start":            {func(b *SavedBinding, _ *Account) { b.Boot += "2" }, ""},
		"expires later than any":   {func(b *SavedBinding, _ *Account) { b.Expires = now.Add(maxExpires + 1) }, ""},
		"another user":             {func(b *SavedBinding, _ *Account) { b.User = "door" }, ""},
		"another password":         {func(_ *SavedBinding, a *Account) { a.Password += "2" }, ""},
		"no hash":                  {func(b *SavedBinding, _ *Account) { b.Hash = nil }, ""},
		"the contact is fixed now": {func(_ *SavedBinding, a *Account) { a.Fixed = &fixed }, "192.0.2.99:5060"},
		"no contact":               {func(b *SavedBinding, _ *Account) { b.Contact = "stage door" }, ""},
		"no source":                {func(b *SavedBinding, _ *Account) { b.Source = netip.AddrPort{} }, ""},
		"no destination":           {func(b *SavedBinding, _ *Account) { b.Destination = netip.AddrPort{} }, ""},
		"its source is not allowed": {func(b *SavedBinding, a *Account) {
			b.Source, a.AllowFrom = far, within
		}, ""},
		"its destination is not allowed": {func(b *SavedBinding, a *Account) {
			b.Destination, a.AllowFrom = far, within
		}, ""},
	} {
		b, a := good, stageDoor()
		c.change(&b, &a)
		clock := now
		r := newRegistrar(RegistrarOptions{Accounts: []Account{a}, Realm: realm,
			Saved: func(string) (SavedBinding, bool) { return b, true }, Boot: func() time.Duration { return uptime }},
			func() time.Time { return clock })
		is, ok := r.Binding("stage-door")
		require.Equal(t, c.want != "", ok, name)
		if ok {
			require.Equal(t, c.want, is.Destination.String(), name)
		}
	}
}

// A binding lasts no longer than it was granted for: not while the machine sleeps, and not after its clock was set back
// by less than the time since the last REGISTER, also over a restart of the daemon.
func TestBindingEndsByEitherClock(t *testing.T) {
	t.Parallel()
	began := time.Now()
	wall, boot := began, time.Hour
	o := RegistrarOptions{Accounts: []Account{stageDoor()}, Realm: realm, Boot: func() time.Duration { return boot }}
	at := netip.MustParseAddrPort("192.0.2.20:5062")
	for _, c := range []struct {
		name        string
		passed, set time.Duration // by the boot clock, and what the other clock gained on it
		bound       bool
	}{
		{"at once", 0, 0, true}, {"just before the end", time.Minute - 1, 0, true}, {"at the end", time.Minute, 0, false},
		{"set back, before the end", time.Minute - 1, -time.Second, true},
		{"set back", time.Minute, -time.Second, false},
		{"slept", time.Hour, -time.Hour, false}, // the clock of the process did not count it
		{"the timers' clock alone", 0, time.Minute, false},
	} {
		wall, boot = began, time.Hour
		r := newRegistrar(o, func() time.Time { return wall })
		a := r.table().byLine["stage-door"]
		req := sip.NewRequest(sip.REGISTER, sip.Uri{})
		id := sip.CallIDHeader("boot-1")
		req.AppendHeader(&id)
		req.AppendHeader(&sip.CSeqHeader{SeqNo: 1, MethodName: sip.REGISTER})
		req.SetTransport("UDP")
		_, _, ok := r.apply(a, &endpoint.Request{Request: req, From: at}, bindingRequest{
			contact: uri(t, "sip:stage-door@192.0.2.20:5062"), expires: time.Minute})
		require.True(t, ok)
		saved := r.savedLocked(a)
		wall, boot = began.Add(c.passed+c.set), time.Hour+c.passed
		_, bound := r.Binding("stage-door")
		require.Equal(t, c.bound, bound, c.name)
		require.Equal(t, c.bound, r.atHost(a, at.Addr()), c.name)
		require.Equal(t, c.bound, r.isOwn(a, &endpoint.Request{From: at}), c.name)
		require.Equal(t, c.bound, len(r.contactHeaders(a)) > 0, c.name)
		require.Equal(t, c.bound, r.savedLocked(a) != nil, c.name)
		again := o
		again.Saved = func(string) (SavedBinding, bool) { return *saved, true }
		_, bound = newRegistrar(again, func() time.Time { return wall }).Binding("stage-door")
		require.Equal(t, c.bound && wall.Compare(began) >= 0, bound, c.name)
	}
}
