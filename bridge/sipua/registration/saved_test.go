package registration

import (
	"encoding/json"
	"net/netip"
	"sync"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
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
	kept := &saver{text: map[string][]byte{}}
	d := newTestRegistrarWith(t, RegistrarOptions{Save: kept.save}, stageDoor())
	w := dial(t, "udp", d.e)
	require.Equal(t, 200, w.register(w.contact(), "User-Agent: box 1", "Expires: 120").Code())
	was, _ := d.Binding("stage-door")

	o := RegistrarOptions{Save: kept.save, Saved: kept.saved}
	again := newTestRegistrarWith(t, o, stageDoor())
	is, ok := again.Binding("stage-door")
	require.True(t, ok)
	require.Equal(t, was.Contact.String(), is.Contact.String())
	require.Equal(t, was.Destination, is.Destination)
	require.Equal(t, []string{"UDP", "box 1"}, []string{is.Transport, is.UserAgent})
	require.WithinDuration(t, was.Expires, is.Expires, 0)
	require.WithinDuration(t, was.Registered, is.Registered, 0)
	require.WithinDuration(t, was.Heard, is.Heard, 0)
	require.EqualValues(t, 1, is.Generation)

	// the adapter, from another port, but with the same Contact
	other := dial(t, "udp", again.e)
	other.seq = w.seq - 2 // register sends two requests
	require.Equal(t, 500, other.register(w.contact()).Code(), "no newer than the last one")
	require.Equal(t, 200, other.register(w.contact()).Code())
	require.Empty(t, again.renewed, "a refresh")
	now, _ := again.Binding("stage-door")
	require.True(t, now.Registered.Equal(is.Registered), "since the adapter first registered")
	require.True(t, now.Heard.After(is.Heard))
	require.Equal(t, 200, other.register(other.contact()).Code())
	is, _ = again.Binding("stage-door")
	require.EqualValues(t, 2, is.Generation, "it has moved")
	require.True(t, is.Registered.After(was.Registered))
	saved, ok := kept.saved("stage-door")
	require.True(t, ok)
	require.Equal(t, is.Destination, saved.Destination)
	require.Equal(t, other.Addr(), saved.Source.String())

	require.Equal(t, 200, other.register(other.contact(), "Expires: 0").Code())
	_, ok = kept.saved("stage-door")
	require.False(t, ok, "a binding that was removed is not kept")
	_, ok = newTestRegistrarWith(t, o, stageDoor()).Binding("stage-door")
	require.False(t, ok)
}

// A binding is taken over only if it certainly has not expired and fits the account.
func TestSavedBindingsThatAreNotTakenOver(t *testing.T) {
	t.Parallel()
	now := time.Now()
	at := netip.MustParseAddrPort("192.0.2.20:5062")
	good := SavedBinding{User: "stage-door", Contact: "sip:stage-door@192.0.2.20:5062", Destination: at, Source: at,
		Transport: "UDP", CallID: "boot-1", CSeq: 4, Registered: now.Add(-time.Hour), Heard: now.Add(-time.Minute),
		Expires: now.Add(time.Minute)}
	within := []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	elsewhere := []netip.Prefix{netip.MustParsePrefix("198.51.100.0/24")}
	fixed := sip.Uri{User: "stage-door", Host: "192.0.2.99", Port: 5060}
	for name, c := range map[string]struct {
		change func(*SavedBinding, *Account)
		want   string // the destination; "" if the binding is not taken over
	}{
		"as it is":               {func(*SavedBinding, *Account) {}, at.String()},
		"its address is allowed": {func(_ *SavedBinding, a *Account) { a.AllowFrom = within }, at.String()},
		"registered right now":   {func(b *SavedBinding, _ *Account) { b.Heard = now }, at.String()},
		"expires last of all": {func(b *SavedBinding, _ *Account) { b.Expires = now.Add(maxExpires) },
			at.String()},
		"expires right now":          {func(b *SavedBinding, _ *Account) { b.Expires = now }, ""},
		"the clock was set back":     {func(b *SavedBinding, _ *Account) { b.Heard = now.Add(1) }, ""},
		"expires later than any":     {func(b *SavedBinding, _ *Account) { b.Expires = now.Add(maxExpires + 1) }, ""},
		"another user":               {func(_ *SavedBinding, a *Account) { a.User = "door" }, ""},
		"its address is not allowed": {func(_ *SavedBinding, a *Account) { a.AllowFrom = elsewhere }, ""},
		"the contact is fixed now":   {func(_ *SavedBinding, a *Account) { a.Fixed = &fixed }, "192.0.2.99:5060"},
		"no contact":                 {func(b *SavedBinding, _ *Account) { b.Contact = "stage door" }, ""},
		"no source":                  {func(b *SavedBinding, _ *Account) { b.Source = netip.AddrPort{} }, ""},
		"no destination":             {func(b *SavedBinding, _ *Account) { b.Destination = netip.AddrPort{} }, ""},
		// the connection is gone; what remains is where the adapter says that it listens
		"TCP": {func(b *SavedBinding, _ *Account) {
			b.Transport, b.Destination = "TCP", netip.MustParseAddrPort("192.0.2.20:49152")
		}, at.String()},
		"TCP, a name": {func(b *SavedBinding, _ *Account) {
			b.Transport, b.Contact = "TCP", "sip:stage-door@adapter.millrace.example"
		}, ""},
	} {
		b, a := good, stageDoor()
		c.change(&b, &a)
		r := newRegistrar(RegistrarOptions{Accounts: []Account{a}, Realm: realm,
			Saved: func(string) (SavedBinding, bool) { return b, true }}, func() time.Time { return now })
		is, ok := r.Binding("stage-door")
		require.Equal(t, c.want != "", ok, name)
		if ok {
			require.Equal(t, c.want, is.Destination.String(), name)
		}
	}
}
