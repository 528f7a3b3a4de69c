package modbus

import (
	"errors"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestDirectionSwitch checks the request to the kernel, and that a setting that reads back differently is an error. The
// bits are those of linux/serial.h, from memory: enabled 1, RTS on send 2, RTS after send 4.
func TestDirectionSwitch(t *testing.T) {
	require.EqualValues(t, 32, unsafe.Sizeof(serialRS485{}), "the kernel writes a whole struct serial_rs485")
	broken := errors.New("broken")
	for name, c := range map[string]struct {
		o        RS485
		flags    uint32
		change   func(*serialRS485) // changes the settings that are read back
		set, get error
		says     string
	}{
		"high": {o: RS485{DelayBefore: 3 * time.Millisecond, DelayAfter: 5 * time.Millisecond},
			flags: 3},
		"low":       {o: RS485{SendLow: true}, flags: 5},
		"with more": {o: RS485{}, flags: 3, change: func(s *serialRS485) { s.flags |= 1 << 5 }},
		"not enabled": {flags: 3, change: func(s *serialRS485) { s.flags &^= 1 },
			says: "flags 0x3 and delays 0 and 0 ms were set, but it has 0x2, 0 and 0"},
		"the other level":     {flags: 3, change: func(s *serialRS485) { s.flags = 5 }, says: "as configured"},
		"both levels":         {flags: 3, change: func(s *serialRS485) { s.flags |= 4 }, says: "as configured"},
		"another delay":       {flags: 3, change: func(s *serialRS485) { s.delayBefore = 1 }, says: "as configured"},
		"another delay after": {flags: 3, change: func(s *serialRS485) { s.delayAfter = 1 }, says: "as configured"},
		"cannot be set":       {flags: 3, set: broken, says: "cannot switch an RS-485 direction by RTS (broken)"},
		"cannot be read":      {flags: 3, get: broken, says: "cannot switch an RS-485 direction by RTS (broken)"},
	} {
		t.Run(name, func(t *testing.T) {
			var kept serialRS485
			err := c.o.set(7, func(fd int, request uintptr, s *serialRS485) error {
				require.Equal(t, 7, fd)
				switch request {
				case unix.TIOCSRS485:
					kept = *s
					return c.set
				case unix.TIOCGRS485:
					*s = kept
					if c.change != nil {
						c.change(s)
					}
					return c.get
				}
				return unix.ENOTTY
			})
			require.Equal(t, serialRS485{flags: c.flags, delayBefore: uint32(c.o.DelayBefore.Milliseconds()),
				delayAfter: uint32(c.o.DelayAfter.Milliseconds())}, kept)
			if c.says == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.says)
			}
		})
	}
	require.ErrorIs(t, ioctlRS485(-1, unix.TIOCGRS485, &serialRS485{}), unix.EBADF)
}
