package daemon

import (
	"net/netip"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/config"
)

// An address that the machine does not have is logged once and then at each reminder, and `lines` shows it. When it
// comes, the lines register.
func TestAddressWatch(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		core, seen := observer.New(zap.InfoLevel)
		var here atomic.Bool
		var back atomic.Int32
		pbx, phones := netip.MustParseAddr("192.0.2.10"), netip.MustParseAddr("192.0.2.11")
		all := []config.Address{{Addr: pbx, Keys: []string{"sip.service_side.listen"}},
			{Addr: phones, Keys: []string{"sip.adapter_side.listen", "media.adapter_address"}}}
		var wanted atomic.Pointer[[]config.Address]
		wanted.Store(&all)
		w := &addressWatch{log: zap.New(core), remind: 15 * time.Minute,
			wanted: func() []config.Address { return *wanted.Load() },
			has:    func(netip.Addr) bool { return here.Load() },
			back:   func() { back.Add(1) },
		}
		w.look()
		require.Len(t, seen.TakeAll(), 2)
		require.Len(t, w.problems(), 2)
		require.Contains(t, w.problems()[1],
			"does not have the address 192.0.2.11 (sip.adapter_side.listen, media.adapter_address)")
		end := make(chan struct{}) // closed to end run
		done := make(chan struct{})
		go func() { defer close(done); w.run(end) }()
		<-time.After(15*time.Minute - 1)
		require.Empty(t, seen.TakeAll())
		<-time.After(1)
		synctest.Wait()
		require.Len(t, seen.TakeAll(), 2, "a reminder")
		here.Store(true)
		require.Zero(t, back.Load())
		<-time.After(addressesEvery)
		synctest.Wait()
		require.Empty(t, w.problems())
		require.EqualValues(t, 1, back.Load())
		for _, e := range seen.TakeAll() {
			require.Equal(t, "this machine has the address now; its lines are served", e.Message)
		}
		here.Store(false) // the router gives the machine another address
		<-time.After(addressesEvery)
		synctest.Wait()
		require.Len(t, w.problems(), 2)
		require.Len(t, seen.TakeAll(), 2)
		require.EqualValues(t, 1, back.Load())
		fewer := all[:1] // a reload has removed the last line with the other address
		wanted.Store(&fewer)
		<-time.After(addressesEvery)
		synctest.Wait()
		require.Len(t, w.problems(), 1)
		close(end)
		<-done
	})
}
