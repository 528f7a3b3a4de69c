package modbustest

import (
	"encoding/binary"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"
)

// BoardOptions describe a board.
type BoardOptions struct {
	OpenOn bool // a coil that is on means an open loop
	Open   bool // the loops are open at first

	Timers []Timer // the registers that have an effect

	// SingleInputs lets inputs be read only one by one.
	SingleInputs bool
	// Input returns the state of an input, and whether it exists. nil: each input has the state of its coil.
	Input func(n int, coils []bool) (on, ok bool)
}

// Timer is a register that opens a coil's loop for a number of units.
type Timer struct {
	Register uint16
	Coil     int
	Unit     time.Duration
	// Sequence means that the register holds a sequence number, and the next one the length. Both are written at once;
	// a number that is there already opens nothing.
	Sequence bool
}

// Board is a relay board on a real socket, with eight coils, registers and inputs. Package relaytest's faults can be
// injected.
//
// Source of its answers: MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.3, 6.5, 6.6, 6.12 and 7.
type Board struct {
	*Server
	opt   BoardOptions
	start time.Time

	mu      sync.Mutex
	coils   [8]bool
	regs    map[uint16]uint16
	timers  [8]*time.Timer
	changes [8][]relaytest.Change
	stuck   bool // all coils read as on
}

// Sensing selects readings of inputs for a fault.
const Sensing relaytest.On = 100

// NewBoard returns a board, which ends with the test.
func NewBoard(t testing.TB, o BoardOptions) *Board {
	t.Helper()
	b := &Board{opt: o, start: time.Now(), regs: map[uint16]uint16{}}
	for i := range b.coils {
		b.coils[i] = o.Open == o.OpenOn
	}
	t.Cleanup(func() { // after the server has ended
		b.mu.Lock()
		defer b.mu.Unlock()
		for _, tm := range b.timers {
			if tm != nil {
				tm.Stop()
			}
		}
	})
	connect := func() (Session, error) { return boardSession{b}, nil }
	b.Server = NewServer(t, ServerOptions{Connect: connect, Meets: b.meets})
	return b
}

// boardSession serves a connection. The state is the board's.
type boardSession struct{ *Board }

func (s boardSession) Act(f Frame) []byte { return s.Answer(f.PDU) }
func (boardSession) Close() error         { return nil }

func (b *Board) meets(on relaytest.On, pdu []byte) bool {
	opening := pdu[0] == 5 && (pdu[3] == 0xFF) == b.opt.OpenOn ||
		(pdu[0] == 6 || pdu[0] == 16) && b.timer(binary.BigEndian.Uint16(pdu[1:])) != nil
	switch on {
	case relaytest.Opening:
		return opening
	case relaytest.Closing:
		return pdu[0] == 5 && !opening
	case Sensing:
		return pdu[0] == 2
	}
	return pdu[0] != 2 // the suite's cases concern the contact's own requests
}

// Answer carries out a request and returns the PDU of its answer.
func (b *Board) Answer(pdu []byte) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	n, v := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	switch pdu[0] {
	case 1, 2:
		if pdu[0] == 2 && v > 1 && b.opt.SingleInputs {
			return Exception(2, 2)
		}
		bits := byte(0)
		for i := range int(v) {
			on, ok := b.levelLocked(pdu[0], int(n)+i)
			if !ok {
				return Exception(pdu[0], 2)
			}
			if on {
				bits |= 1 << i
			}
		}
		return []byte{pdu[0], 1, bits}
	case 3:
		answer := []byte{3, byte(2 * v)}
		for i := range v {
			answer = binary.BigEndian.AppendUint16(answer, b.regs[n+i])
		}
		return answer
	case 5:
		if int(n) >= len(b.coils) {
			return Exception(5, 2)
		}
		b.setLocked(int(n), v == 0xFF00)
	case 6:
		b.regs[n] = v
		if t := b.timer(n); t != nil && !t.Sequence {
			b.timedLocked(t.Coil, time.Duration(v)*t.Unit)
		}
	case 16:
		return b.writeLocked(n, pdu[6:], pdu[:5])
	default:
		return Exception(pdu[0], 1)
	}
	return pdu
}

// levelLocked returns what a coil or, with function 2, an input reads, and whether it exists.
func (b *Board) levelLocked(function byte, n int) (on, ok bool) {
	switch {
	case function == 2 && b.opt.Input != nil:
		return b.opt.Input(n, b.coils[:])
	case n >= len(b.coils):
		return false, false
	}
	return b.coils[n] || function == 1 && b.stuck, true
}

// Stick makes all coils read as on, whatever they are, or ends that.
func (b *Board) Stick(stuck bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.stuck = stuck
}

// writeLocked writes registers from n on.
func (b *Board) writeLocked(n uint16, values, answer []byte) []byte {
	before := b.regs[n]
	for i := 0; i+1 < len(values); i += 2 {
		b.regs[n+uint16(i/2)] = binary.BigEndian.Uint16(values[i:])
	}
	t := b.timer(n)
	if length := b.regs[n+1]; t != nil && t.Sequence && b.regs[n] != before && length > 0 {
		b.timedLocked(t.Coil, time.Duration(length)*t.Unit)
	}
	return answer
}

// timer returns the timer that a register begins, nil if there is none.
func (b *Board) timer(register uint16) *Timer {
	for i := range b.opt.Timers {
		if b.opt.Timers[i].Register == register {
			return &b.opt.Timers[i]
		}
	}
	return nil
}

func (b *Board) timedLocked(n int, d time.Duration) {
	b.setLocked(n, b.opt.OpenOn)
	b.timers[n] = time.AfterFunc(d, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.setLocked(n, !b.opt.OpenOn)
	})
}

func (b *Board) setLocked(n int, on bool) {
	if b.timers[n] != nil {
		b.timers[n].Stop()
	}
	if b.coils[n] != on {
		b.coils[n] = on
		b.changes[n] = append(b.changes[n], relaytest.Change{At: time.Since(b.start), Open: on == b.opt.OpenOn})
	}
}

// Move opens or closes a loop by hand.
func (b *Board) Move(line int, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.setLocked(line, open == b.opt.OpenOn)
}

// Changes returns the movements of a loop since the board was made.
func (b *Board) Changes(line int) []relaytest.Change {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.changes[line])
}

// Level returns the state of a coil.
func (b *Board) Level(coil int) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.coils[coil]
}

// Writes returns the values that were written to a coil, including those that changed nothing.
func (b *Board) Writes(coil uint16) (all []bool) {
	for _, r := range b.Requests() {
		if strings.HasPrefix(r.PDU, string(PDU(5, coil))) {
			all = append(all, r.PDU[3] == 0xFF)
		}
	}
	return all
}
