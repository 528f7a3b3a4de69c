package registration

import (
	"net/netip"
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
