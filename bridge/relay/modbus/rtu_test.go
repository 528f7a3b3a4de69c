package modbus

import (
	"io"
	"log"
	"testing"
	"time"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// libraryClient returns a master from simonvetter/modbus, which is not our code. A unit of 0 means 1.
func libraryClient(t *testing.T, url string, unit uint8) *mb.ModbusClient {
	t.Helper()
	c, err := mb.NewClient(&mb.ClientConfiguration{URL: url, Speed: 115_200, Timeout: time.Second,
		Logger: log.New(io.Discard, "", 0)})
	require.NoError(t, err)
	require.NoError(t, c.Open())
	if unit > 0 {
		c.SetUnitId(unit)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// Source: MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters up to 19,200 bit/s, 1.750 ms above; characters
// have 11 bits.
func TestFrameGap(t *testing.T) {
	for baud, want := range map[int]time.Duration{1200: 32083 * time.Microsecond, 9600: 4010 * time.Microsecond,
		19_200: 2005 * time.Microsecond, 38_400: fastGap, 115_200: fastGap} {
		require.InDelta(t, want, frameGap(baud), float64(time.Microsecond), baud)
	}
	require.InDelta(t, 8*11*time.Second/9600, charTime(8, 9600), 1)
}

func TestBusOptionsOutOfRange(t *testing.T) {
	for message, o := range map[string]BusOptions{
		"device: it is empty":    {},
		"baud: 50":               {Device: "/dev/null", Baud: 50},
		"parity: 9":              {Device: "/dev/null", Parity: 9},
		"stop_bits: 3":           {Device: "/dev/null", StopBits: 3},
		"timeout: 1ms":           {Device: "/dev/null", Timeout: time.Millisecond},
		"timeout: 1m":            {Device: "/dev/null", Timeout: time.Minute},
		"poll: 1ms":              {Device: "/dev/null", Poll: time.Millisecond},
		"rs485.delay_before: 1s": {Device: "/dev/null", RS485: &RS485{DelayBefore: time.Second}},
		"rs485.delay_after: 1":   {Device: "/dev/null", RS485: &RS485{DelayAfter: 1500 * time.Microsecond}},
	} {
		_, err := NewBus(o)
		require.ErrorIs(t, err, ErrOptions, message)
		require.ErrorContains(t, err, message)
	}
	b, err := NewBus(BusOptions{Name: "bus", Device: "/dev/null", NoLock: true})
	require.NoError(t, err)
	require.Equal(t, []any{19_200, ParityEven, 1}, []any{b.opt.Baud, b.opt.Parity, b.opt.StopBits})
	for _, unit := range []uint8{0, 248, 255} {
		_, err := b.Contact(ContactOptions{Name: "box-office", Unit: unit})
		require.ErrorIs(t, err, ErrOptions)
	}
	_, err = b.Contact(ContactOptions{Name: "box-office", Unit: 1})
	require.NoError(t, err)
	_, err = b.Contact(ContactOptions{Name: "stage-door", Unit: 1})
	require.Error(t, err, "one contact, one line")
	require.Empty(t, b.Shutdown(t.Context()))
	require.Empty(t, b.Shutdown(t.Context()))
	_, err = b.Contact(ContactOptions{Name: "workshop", Unit: 2})
	require.Error(t, err, "no contact after the end")
	none, err := NewBus(BusOptions{Device: "/dev/null", Parity: ParityNone})
	require.NoError(t, err)
	require.Equal(t, 2, none.opt.StopBits, "a character has 11 bits")
}
