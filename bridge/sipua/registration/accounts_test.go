package registration

import (
	"net/netip"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
)

// An account that stays keeps its state, and one that changes keeps a binding that still fits. Others are forgotten,
// also on disk.
func TestSetAccounts(t *testing.T) {
	t.Parallel()
	store := &saver{text: map[string][]byte{}}
	d := newTestRegistrarWith(t, RegistrarOptions{Save: store.save}, stageDoor())
	w := dial(t, "udp", d.e)
	register := func() {
		t.Helper()
		require.Equal(t, 200, w.register(w.contact()).Code())
	}
	bound := func(why string, want bool) {
		t.Helper()
		_, is := d.Binding("stage-door")
		require.Equal(t, want, is, why)
		_, saved := store.saved("stage-door")
		require.Equal(t, want, saved, why)
	}
	register()
	was := d.table().byLine["stage-door"]
	same, other := d.table().accounts[0].Account, stageDoor()
	other.Line, other.User = "workshop", "workshop"
	d.SetAccounts([]Account{same, other})
	require.Same(t, was, d.table().byLine["stage-door"])
	bound("another line is added", true)

	same.AllowFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	d.SetAccounts([]Account{same})
	require.NotSame(t, was, d.table().byLine["stage-door"])
	bound("its address is still allowed", true)
	require.Nil(t, d.table().byUser["workshop"])
	require.Equal(t, d.table().byLine["stage-door"], d.table().byUser["stage-door"])

	same.AllowFrom = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	d.SetAccounts([]Account{same})
	bound("its address is not allowed any more", false)
	same.AllowFrom = nil
	d.SetAccounts([]Account{same})
	register()
	bound("it has registered again", true)

	password := same
	password.Password = "another"
	d.SetAccounts([]Account{password})
	bound("it has another password", false)
	require.Equal(t, 401, w.register(w.contact()).Code(), "the old password is not valid any more")
	d.SetAccounts([]Account{same})
	register()
	d.SetAccounts(nil)
	bound("it is removed", false)
}

// A REGISTER that is being handled while the accounts are replaced counts for the new account, or is challenged again.
// The clock is read at each step of its handling, so the test replaces the accounts when the clock is read.
func TestSetAccountsBesideARegister(t *testing.T) {
	t.Parallel()
	other := stageDoor()
	other.Line, other.User = "workshop", "workshop"
	stays, exchanged := stageDoor(), stageDoor()
	stays.AllowFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	exchanged.Line = "workshop"
	exchangedOther := other
	exchangedOther.Line = "stage-door"
	for name, next := range map[string][]Account{
		"an account that stays": {stays, other},
		"exchanged accounts":    {exchanged, exchangedOther},
	} {
		t.Run(name, func(t *testing.T) {
			replaced := atomic.Int64{}
			for at := int64(1); ; at++ {
				store := &saver{text: map[string][]byte{}}
				d := newTestRegistrarWith(t, RegistrarOptions{Save: store.save}, stageDoor(), other)
				was, reads := d.table().byLine["stage-door"], atomic.Int64{}
				replace := func() {
					if reads.Add(1) == at && was.mu.TryLock() {
						was.mu.Unlock()
						replaced.Add(1)
						d.SetAccounts(next)
					}
				}
				w := dial(t, "udp", d.e)
				w.answer(w.ask("REGISTER", "stage-door", w.contact()), "MD5", "REGISTER", "stage-door", secret, 1)
				d.onClock.Store(&replace)
				code := w.ask("REGISTER", "stage-door", w.contact()).Code()
				if code == 401 {
					code = w.register(w.contact()).Code()
				}
				require.Equal(t, 200, code, at)
				<-d.renewed // the handling has ended
				if reads.Load() < at {
					break
				}
				line := d.table().byUser["stage-door"].Line
				if line == "stage-door" || d.table().byLine["stage-door"] == was {
					_, bound := d.Binding(line)
					require.True(t, bound, at)
					b, saved := store.saved(line)
					require.True(t, saved, at)
					require.NotEmpty(t, b.Hash)
				}
			}
			require.Greater(t, replaced.Load(), int64(2))
		})
	}
}
