package modbus

import (
	"bytes"
	"encoding/binary"
	"io"
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
		o, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
		if c.ok {
			o.Notify(relay.Notice{})
			require.WithinDuration(t, time.Now(), o.Now(), time.Minute)
		}
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
			require.WithinDuration(t, time.Now(), o.Now(), time.Minute)
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
		err := c.o.check()
		require.Equal(t, c.ok, err == nil, c.o)
		if err != nil && c.o.Timed != nil && c.o.Timed.Sequence {
			require.ErrorContains(t, err, "register 65535 has no next register for the length; allowed are 0 to 65534")
		}
	}
	for d, want := range map[time.Duration]time.Duration{1: 1, 10 * ms: 1, 10*ms + 1: 2, 20 * ms: 2} {
		require.Equal(t, want, counts(d, 10*ms))
	}
}

// TestLengthsOfAnswers checks that the answer to each function ends where the specification says (application protocol
// V1.1b3, section 6).
func TestLengthsOfAnswers(t *testing.T) {
	for name, pdu := range map[string][]byte{
		"exception": {0x90, 2}, "coils": {1, 2, 0xff, 1}, "inputs": {2, 1, 1}, "registers": {3, 2, 0, 7},
		"input registers": {4, 2, 0, 7}, "coil": {5, 0, 3, 0xff, 0},
		"register": {6, 0, 3, 0, 9}, "coils written": {15, 0, 3, 0, 2}, "registers written": {16, 0, 3, 0, 2},
		"no bits": {1, 0},
	} {
		frame := appendRTU(nil, 1, pdu)
		require.Equal(t, len(frame), rtuAnswer(frame), name)
		require.Equal(t, len(frame), rtuAnswer(append(frame, 0)), name)
		require.Zero(t, rtuAnswer(frame[:len(frame)-1]), name)
	}
	for _, fn := range []byte{0, 7, 14, 17} {
		require.Zero(t, rtuAnswer(appendRTU(nil, 1, []byte{fn, 0, 3, 0, 2})), fn)
	}
}

// TestLengthsOfFrames checks that a PDU has 2 to 253 bytes (application protocol, section 4.1).
func TestLengthsOfFrames(t *testing.T) {
	for n, ok := range map[int]bool{1: false, 2: true, 253: true, 254: false} {
		pdu := bytes.Repeat([]byte{7}, n)
		txn, unit, got, err := readFrame(bytes.NewReader(appendFrame(nil, 0x1234, 9, pdu)))
		if !ok {
			require.ErrorIs(t, noFrame(t, appendFrame(nil, 0x1234, 9, pdu)), ErrProtocol)
			continue
		}
		require.NoError(t, err)
		require.Equal(t, []any{uint16(0x1234), byte(9), pdu}, []any{txn, unit, got})
	}
	frame := appendFrame(nil, 1, 1, []byte{5, 0, 3, 0, 0})
	for cut := range frame {
		err := noFrame(t, frame[:cut])
		require.Equal(t, cut == 0 || cut == headerLen, err == io.EOF)
	}
	for _, i := range []int{2, 3} { // the protocol identifier
		wrong := bytes.Clone(frame)
		wrong[i]++
		require.ErrorIs(t, noFrame(t, wrong), ErrProtocol)
	}
}

// TestAnswersThatBelong checks that each request accepts its own answer, but no answer that is a byte longer, shorter
// or different.
func TestAnswersThatBelong(t *testing.T) {
	for _, c := range []struct{ request, answer []byte }{
		{readCoils(3, 1), []byte{1, 1, 1}}, {readCoils(0, 8), []byte{1, 1, 0xff}},
		{readCoils(0, 9), []byte{1, 2, 0xff, 1}}, {readInputs(0, 16), []byte{2, 2, 1, 1}},
		{readRegisters(7, 2), []byte{3, 4, 0, 1, 0, 2}}, {writeCoil(3, true), []byte{5, 0, 3, 0xff, 0}},
		{writeRegister(3, 258), []byte{6, 0, 3, 1, 2}},
		{writePair(3, 1, 2), []byte{16, 0, 3, 0, 2}},
	} {
		require.NoError(t, checkAnswer(c.request, c.answer))
		require.ErrorIs(t, checkAnswer(c.request, append(bytes.Clone(c.answer), 0)), ErrProtocol)
		require.ErrorIs(t, checkAnswer(c.request, c.answer[:len(c.answer)-1]), ErrProtocol)
		for i := range c.answer[:2] {
			wrong := bytes.Clone(c.answer)
			wrong[i]++
			require.ErrorIs(t, checkAnswer(c.request, wrong), ErrProtocol)
		}
		require.Equal(t, Exception(2), checkAnswer(c.request, []byte{c.request[0] | 0x80, 2}))
		require.ErrorIs(t, checkAnswer(c.request, []byte{c.request[0] | 0x80, 2, 0}), ErrProtocol)
	}
	require.Equal(t, []byte{16, 0, 3, 0, 2, 4, 0, 1, 0, 2}, writePair(3, 1, 2))
	require.Equal(t, []byte{5, 1, 2, 0xff, 0}, writeCoil(258, true))
	require.Equal(t, []byte{5, 1, 2, 0, 0}, writeCoil(258, false))
	bits := []byte{1, 2, 0b1000_0010, 0b0000_0001}
	var on []int
	for i := range 16 {
		if bit(bits, i) {
			on = append(on, i)
		}
	}
	require.Equal(t, []int{1, 7, 8}, on)
	require.Equal(t, uint16(0x0203), word(binary.BigEndian.AppendUint16([]byte{3, 4, 0, 1}, 0x0203), 1))
}

// noFrame returns the error of an invalid frame, and checks that no data is returned with it.
func noFrame(t *testing.T, b []byte) error {
	t.Helper()
	txn, unit, pdu, err := readFrame(bytes.NewReader(b))
	require.Error(t, err)
	require.Equal(t, []any{uint16(0), byte(0), []byte(nil)}, []any{txn, unit, pdu})
	return err
}
