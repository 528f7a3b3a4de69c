package modbus

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
)

const ms = time.Millisecond

// TestBoundsAreAllowed checks that each bound of a setting is allowed, and that a value just beyond it is not.
func TestBoundsAreAllowed(t *testing.T) {
	for _, c := range []struct {
		o  Options
		ok bool
	}{
		{Options{Timeout: 20 * ms}, true}, {Options{Timeout: 20*ms - 1}, false},
		{Options{Timeout: 10_000 * ms}, true}, {Options{Timeout: 10_000*ms + 1}, false},
		{Options{Poll: 10 * ms}, true}, {Options{Poll: 10*ms - 1}, false}, {Options{Address: "192.0.2.50:"}, false},
		{Options{Address: "192.0.2.50"}, false},
	} {
		if c.o.Address == "" {
			c.o.Address = "192.0.2.50:502"
		}
		_, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
	}
	for _, c := range []struct {
		o  BusOptions
		ok bool
	}{
		{BusOptions{Baud: 300}, true}, {BusOptions{Baud: 299}, false}, {BusOptions{Baud: 4_000_000}, true},
		{BusOptions{Baud: 4_000_001}, false},
		{BusOptions{Parity: ParityNone}, true}, {BusOptions{Parity: ParityNone + 1}, false},
		{BusOptions{StopBits: 2}, true}, {BusOptions{StopBits: 3}, false},
		{BusOptions{StopBits: -1}, false}, {BusOptions{StopBits: 1, Parity: ParityNone}, true},
		{BusOptions{Timeout: 20 * ms}, true}, {BusOptions{Timeout: 20*ms - 1}, false},
		{BusOptions{Timeout: 10_000 * ms}, true}, {BusOptions{Timeout: 10_000*ms + 1}, false},
		{BusOptions{Poll: 10 * ms}, true}, {BusOptions{Poll: 10*ms - 1}, false},
		{BusOptions{RS485: &RS485{DelayBefore: 100 * ms}}, true},
		{BusOptions{RS485: &RS485{DelayBefore: 101 * ms}}, false},
		{BusOptions{RS485: &RS485{DelayAfter: -1 * ms}}, false},
		{BusOptions{RS485: &RS485{DelayAfter: 1500 * time.Microsecond}}, false},
		{BusOptions{RS485: &RS485{DelayAfter: 1 * ms}}, true},
	} {
		c.o.Device = "/dev/ttyX0"
		stop := c.o.StopBits
		o, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
		if stop != 0 {
			require.Equal(t, stop, o.StopBits)
		}
		if c.ok {
			o.Notify(relay.Notice{})
		}
	}
	for _, c := range []struct {
		o  ContactOptions
		ok bool
	}{
		{ContactOptions{Unit: 1}, true}, {ContactOptions{Unit: 247}, true}, {ContactOptions{Unit: 248}, false},
		{ContactOptions{Unit: 254}, false}, {ContactOptions{Unit: 255}, true},
		{ContactOptions{}, false},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: ms}}, true},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms - 1, Limit: ms}}, false},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: 2 * ms, Limit: 2*ms - 1}}, false},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: 65_535 * ms}}, true},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: 65_535*ms + 1}}, false},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: ms, Register: 65_535}}, true},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: ms, Register: 65_535, Sequence: true}}, false},
		{ContactOptions{Unit: 1, Timed: &Timed{Unit: ms, Limit: ms, Register: 65_534, Sequence: true}}, true},
		{ContactOptions{Unit: 1, Watchdog: &Watchdog{Unit: ms, Timeout: 30 * ms}}, true},
		{ContactOptions{Unit: 1, Watchdog: &Watchdog{Unit: ms, Timeout: 30*ms - 1}}, false},
		{ContactOptions{Unit: 1, Watchdog: &Watchdog{Unit: ms - 1, Timeout: 30 * ms}}, false},
		{ContactOptions{Unit: 1, Watchdog: &Watchdog{Unit: ms, Timeout: 65_535 * ms}}, true},
		{ContactOptions{Unit: 1, Watchdog: &Watchdog{Unit: ms, Timeout: 65_535*ms + 1}}, false},
	} {
		faults := c.o.Check()
		require.Equal(t, c.ok, len(faults) == 0, c.o)
		if !c.ok && c.o.Timed != nil && c.o.Timed.Sequence {
			require.Equal(t, []relay.Fault{{Key: "timed.register", Problem: "after 65535 there is no register for the length, which sequence needs; allowed: 0 to 65534"}},
				faults)
		}
	}
	for d, want := range map[time.Duration]time.Duration{1: 1, 10 * ms: 1, 10*ms + 1: 2, 20 * ms: 2} {
		require.Equal(t, want, counts(d, 10*ms))
	}
}
