package rehearsal

import (
	"encoding/hex"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// wire is a board whose coils record their movements.
type wire struct {
	*board
	mu    sync.Mutex
	moved []string
	when  []time.Time
}

func newWire(t *testing.T) *wire {
	w := &wire{}
	note := func(name string) func(bool) {
		return func(on bool) {
			w.mu.Lock()
			defer w.mu.Unlock()
			state := " off"
			if on {
				state = " on"
			}
			w.moved, w.when = append(w.moved, name+state), append(w.when, time.Now())
		}
	}
	b, err := openBoard([]terminal{{move: note("first")}, {move: note("second"), current: func() bool { return true }}})
	require.NoError(t, err)
	w.board = b
	t.Cleanup(b.close)
	return w
}

func (w *wire) said() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.Join(w.moved, ", ")
}

func (w *wire) dial(t *testing.T) net.Conn {
	c, err := net.Dial("tcp", w.addr.String())
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(3*time.Second)))
	return c
}

func ask(t *testing.T, c net.Conn, frame string) string {
	b, err := hex.DecodeString(strings.ReplaceAll(frame, " ", ""))
	require.NoError(t, err)
	_, err = c.Write(b)
	require.NoError(t, err)
	head := make([]byte, 6)
	_, err = io.ReadFull(c, head)
	require.NoError(t, err)
	rest := make([]byte, head[5])
	_, err = io.ReadFull(c, rest)
	require.NoError(t, err)
	return hex.EncodeToString(append(head, rest...))
}

func plain(frame string) string { return strings.ReplaceAll(frame, " ", "") }

// The frames have the layout of MODBUS Messaging on TCP/IP V1.0b section 3.1 and of the application protocol V1.1b3,
// sections 6.1, 6.5, 6.6 and 7, with the addresses of this board.
func TestBoardFrames(t *testing.T) {
	w := newWire(t)
	c := w.dial(t)
	for _, f := range []struct{ request, answer string }{
		{"0001 0000 0006 01 01 0000 0002", "0001 0000 0004 01 01 01 00"},
		{"0002 0000 0006 01 05 0001 ff00", "0002 0000 0006 01 05 0001 ff00"},
		{"0003 0000 0006 01 01 0000 0002", "0003 0000 0004 01 01 01 02"},
		{"0004 0000 0006 01 05 0001 0000", "0004 0000 0006 01 05 0001 0000"},
		{"0005 0000 0006 01 05 0001 1234", "0005 0000 0003 01 85 03"}, // neither on nor off: illegal data value
		{"0006 0000 0006 01 05 00ff ff00", "0006 0000 0003 01 85 02"}, // no such coil: illegal data address
		{"0007 0000 0006 01 03 0064 0001", "0007 0000 0003 01 83 01"}, // unsupported function: illegal function
		{"0008 0000 0006 01 06 0000 0001", "0008 0000 0003 01 86 02"},
		{"0009 0000 0006 01 01 0000 0000", "0009 0000 0003 01 81 03"},
	} {
		require.Equal(t, plain(f.answer), ask(t, c, f.request))
	}
	require.Equal(t, "second on, second off", w.said())
}

// The client is an independent Modbus library.
func TestBoardAgainstAnotherMaster(t *testing.T) {
	w := newWire(t)
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + w.addr.String(), Timeout: 2 * time.Second})
	require.NoError(t, err)
	require.NoError(t, c.Open())
	defer func() { require.NoError(t, c.Close()) }()
	require.NoError(t, c.SetUnitId(boardUnit))
	require.False(t, w.hasMaster())
	require.NoError(t, c.WriteCoil(0, true))
	on, err := c.ReadCoil(0)
	require.NoError(t, err)
	require.True(t, on)
	require.False(t, w.hasMaster(), "the second coil was neither written nor read")
	require.NoError(t, c.WriteCoil(1, false))
	require.False(t, w.hasMaster(), "nor read")
	_, err = c.ReadCoil(1)
	require.NoError(t, err)
	require.True(t, w.hasMaster())
	require.ErrorIs(t, c.WriteCoil(boardCoils, true), modbus.ErrIllegalDataAddress)
}

// Discrete inputs report the loop current (function 2 of the specification, section 6.2).
func TestBoardReadsItsInputs(t *testing.T) {
	w := newWire(t)
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + w.addr.String(), Timeout: 2 * time.Second})
	require.NoError(t, err)
	require.NoError(t, c.Open())
	defer func() { require.NoError(t, c.Close()) }()
	require.NoError(t, c.SetUnitId(boardUnit))
	on, err := c.ReadDiscreteInputs(0, 3)
	require.NoError(t, err)
	require.Equal(t, []bool{false, true, false}, on, "the second is wired")
	_, err = c.ReadDiscreteInputs(boardCoils-1, 2)
	require.ErrorIs(t, err, modbus.ErrIllegalDataAddress)
}

// A slow board carries out commands at once, and answers late.
func TestASlowBoardAnswersLate(t *testing.T) {
	w := newWire(t)
	w.slow(time.Hour)
	_, err := w.dial(t).Write([]byte{0, 1, 0, 0, 0, 6, boardUnit, writeCoil, 0, 1, 0xFF, 0})
	require.NoError(t, err)
	require.NoError(t, await(t.Context(), time.Minute, func() bool { return w.said() == "second on" }))
	w.slow(300 * time.Millisecond)
	c, began := w.dial(t), time.Now()
	_, err = c.Write([]byte{0, 2, 0, 0, 0, 6, boardUnit, writeCoil, 0, 1, 0, 0})
	require.NoError(t, err)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(time.Minute)))
	_, err = io.ReadFull(c, make([]byte, 12))
	require.NoError(t, err)
	require.GreaterOrEqual(t, time.Since(began), 300*time.Millisecond)
}

// The board becomes slow with the answer to an opening. It answers a closing or a reading before that at once.
func TestABoardBecomesSlowWithAnOpening(t *testing.T) {
	b := newWire(t)
	b.slowFromOpening(time.Hour)
	for _, r := range []struct {
		pdu  []byte
		late time.Duration
	}{
		{[]byte{readCoils, 0, 0, 0, 1}, 0},
		{[]byte{writeCoil, 0, 0, 0, 0}, 0},
		{[]byte{writeCoil, 0, 0, 0xFF, 0}, time.Hour},
		{[]byte{readCoils, 0, 0, 0, 1}, time.Hour},
	} {
		_, late := b.request(boardUnit, r.pdu)
		require.Equal(t, r.late, late, "%x", r.pdu)
	}
	b.slow(0)
	_, late := b.request(boardUnit, []byte{writeCoil, 0, 0, 0xFF, 0})
	require.Zero(t, late)
}

func TestBoardEndsATimedOutputByItself(t *testing.T) {
	w := newWire(t)
	c := w.dial(t)
	ask(t, c, "0001 0000 0006 01 06 0065 0002") // second coil, 2 x 100 ms
	_ = c.Close()
	require.NoError(t, await(t.Context(), 2*time.Second, func() bool { return w.said() == "second on, second off" }))
	w.mu.Lock()
	defer w.mu.Unlock()
	require.InDelta(t, 0.2, w.when[1].Sub(w.when[0]).Seconds(), 0.15)
	require.GreaterOrEqual(t, w.when[1].Sub(w.when[0]), 200*time.Millisecond)
}

func TestBoardWithoutPower(t *testing.T) {
	w := newWire(t)
	c := w.dial(t)
	ask(t, c, "0001 0000 0006 01 05 0000 ff00")
	ask(t, c, "0002 0000 0006 01 06 0065 0032")
	w.losePower()
	require.Equal(t, "first on, second on, first off, second off", w.said(), "every contact closes")
	_, err := c.Read(make([]byte, 1))
	require.Error(t, err)
	again, err := net.Dial("tcp", w.addr.String())
	if err == nil {
		require.NoError(t, again.SetDeadline(time.Now().Add(3*time.Second)))
		_, err = again.Read(make([]byte, 1))
		_ = again.Close() // the connection was reset
	}
	require.ErrorContains(t, err, "reset", "without power the board resets connections")
	w.restorePower()
	require.Equal(t, plain("0001 0000 0004 01 01 01 00"), ask(t, w.dial(t), "0001 0000 0006 01 01 0000 0002"))
}

// What is written while the network is cut never reaches the board, and a coil keeps its state.
func TestBoardBehindACutNetwork(t *testing.T) {
	w := newWire(t)
	c := w.dial(t)
	ask(t, c, "0001 0000 0006 01 05 0000 ff00")
	w.cutNetwork()
	for _, conn := range []net.Conn{c, w.dial(t)} {
		_, err := conn.Write([]byte{0, 2, 0, 0, 0, 6, 1, 5, 0, 0, 0, 0})
		require.NoError(t, err)
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
		_, err = conn.Read(make([]byte, 1))
		require.ErrorContains(t, err, "timeout")
	}
	w.mendNetwork()
	require.Equal(t, plain("0003 0000 0004 01 01 01 01"), ask(t, w.dial(t), "0003 0000 0006 01 01 0000 0001"))
	require.Equal(t, "first on", w.said())
}
