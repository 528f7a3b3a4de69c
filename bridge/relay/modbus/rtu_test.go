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

// Source: MODBUS over Serial Line V1.02, appendix B (the example of the checksum), from memory. The others are the
// reflected CRC-16 with 0xA001 and 0xFFFF, whose check value over "123456789" is published as 0x4B37 (CRC-16/MODBUS).
// In the tests of the bus, libmodbus and simonvetter/modbus check the frames on the wire.
func TestPublishedChecksums(t *testing.T) {
	require.Equal(t, uint16(0x1241), crc16([]byte{0x02, 0x07}))
	require.Equal(t, uint16(0x4B37), crc16([]byte("123456789")))
	require.Equal(t, []byte{0x02, 0x07, 0x41, 0x12}, appendRTU(nil, 2, []byte{7}), "low byte first")
}

// Source: the same, section 2.5.1.1: 3.5 characters up to 19,200 bit/s, 1.750 ms above; characters have 11 bits.
func TestFrameGap(t *testing.T) {
	for baud, want := range map[int]time.Duration{1200: 32083 * time.Microsecond, 9600: 4010 * time.Microsecond,
		19_200: 2005 * time.Microsecond, 38_400: fastGap, 115_200: fastGap} {
		require.InDelta(t, want, frameGap(baud), float64(time.Microsecond), baud)
	}
	require.InDelta(t, 8*11*time.Second/9600, charTime(8, 9600), 1)
}

func TestFindAnswer(t *testing.T) {
	frame := func(unit byte, pdu ...byte) []byte { return appendRTU(nil, unit, pdu) }
	join := func(parts ...[]byte) (all []byte) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	mine, other := frame(1, closeIt...), frame(2, 1, 1, 1)
	broken := append([]byte{}, mine...)
	broken[6]++
	for name, c := range map[string]struct {
		in, pdu, rest []byte
	}{
		"nothing":            {nil, nil, nil},
		"a part":             {mine[:7], nil, mine[:7]},
		"whole":              {mine, closeIt, mine},
		"an exception":       {frame(1, 0x85, 2), []byte{0x85, 2}, frame(1, 0x85, 2)},
		"others first":       {join(other, other, mine), closeIt, mine},
		"only others":        {join(other, other), nil, []byte{}},
		"others and a part":  {join(other, mine[:3]), nil, mine[:3]},
		"a stray byte":       {join([]byte{0}, mine), closeIt, join([]byte{0}, mine)},
		"a wrong checksum":   {broken, nil, broken},
		"broken, then whole": {join(broken, mine), closeIt, join(broken, mine)},
		"another function":   {frame(1, 1, 1, 0), nil, frame(1, 1, 1, 0)},
	} {
		pdu, rest := findAnswer(c.in, 1, fnWriteCoil)
		require.Equal(t, c.pdu, pdu, name)
		require.Equal(t, string(c.rest), string(rest), name)
	}
}

// FuzzFindAnswer checks that, whatever is on the line, only a frame with the right unit, function and checksum is an
// answer.
func FuzzFindAnswer(f *testing.F) {
	f.Add([]byte{1, 5, 0, 3, 0, 0, 0x3D, 0xCA})
	f.Add(appendRTU([]byte{0}, 1, readCoils(0, 1)))
	f.Add(appendRTU(appendRTU(nil, 2, []byte{1, 1, 1}), 1, []byte{0x85, 2}))
	f.Fuzz(func(t *testing.T, b []byte) {
		pdu, rest := findAnswer(b, 1, fnWriteCoil)
		if len(rest) > len(b) || string(b[len(b)-len(rest):]) != string(rest) {
			t.Fatal("the rest is not the end of the input")
		}
		if pdu == nil {
			return
		}
		if pdu[0]&^exceptionBit != fnWriteCoil {
			t.Fatalf("% x", pdu)
		}
		_ = checkAnswer(closeIt, pdu) // must not panic
	})
}

func TestBusOptionsOutOfRange(t *testing.T) {
	for message, o := range map[string]BusOptions{
		"no device":       {},
		"baud 50":         {Device: "/dev/null", Baud: 50},
		"parity 9":        {Device: "/dev/null", Parity: 9},
		"stop bits 3":     {Device: "/dev/null", StopBits: 3},
		"timeout 1ms":     {Device: "/dev/null", Timeout: time.Millisecond},
		"timeout 1m":      {Device: "/dev/null", Timeout: time.Minute},
		"poll 1ms":        {Device: "/dev/null", Poll: time.Millisecond},
		"before sending":  {Device: "/dev/null", RS485: &RS485{DelayBefore: time.Second}},
		"after sending 1": {Device: "/dev/null", RS485: &RS485{DelayAfter: 1500 * time.Microsecond}},
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
