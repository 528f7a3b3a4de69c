package modbus

import (
	"encoding/binary"
	"io"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"
)

// testBoard is a relay board on a real socket that produces faults. It serves one request at a time, like small boards.
type testBoard struct {
	openOn  bool
	start   time.Time
	address string

	acting sync.Mutex // one request at a time over all connections

	mu       sync.Mutex
	listener net.Listener
	conns    map[net.Conn]bool
	coils    [8]bool
	regs     [8]uint16
	timers   [8]*time.Timer
	changes  [8][]relaytest.Change
	faults   []relaytest.Fault
	wire     []wireEvent
	connects int

	gaps bool // inputs can only be read one by one

	timedUnit time.Duration // register n is the timer of coil n; 0: registers have no effect

	release chan struct{} // closed to release the held request; nil if none is held

	serving sync.WaitGroup
}

// onSensing selects readings of inputs.
const onSensing relaytest.On = 100

type wireEvent struct {
	conn int
	at   time.Duration
	pdu  string
}

func newTestBoard(t *testing.T, openOn, open bool, timedUnit time.Duration) *testBoard {
	b := &testBoard{openOn: openOn, start: time.Now(), address: relaytest.Address(t), conns: map[net.Conn]bool{},
		timedUnit: timedUnit}
	for i := range b.coils {
		b.coils[i] = open == openOn
	}
	b.Restore()
	t.Cleanup(func() {
		b.Cut()
		b.Release()
		b.serving.Wait()
		b.mu.Lock()
		defer b.mu.Unlock()
		for _, tm := range b.timers {
			if tm != nil {
				tm.Stop()
			}
		}
	})
	return b
}

func (b *testBoard) Restore() {
	b.mu.Lock()
	defer b.mu.Unlock()
	l, err := net.Listen("tcp", b.address)
	if err != nil {
		panic(err)
	}
	b.listener = l
	b.serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.mu.Lock()
			if b.listener != l { // cut in the meantime
				b.mu.Unlock()
				c.Close()
				continue
			}
			b.conns[c] = true
			b.connects++
			n := b.connects
			b.mu.Unlock()
			b.serving.Go(func() { b.serve(c, n) })
		}
	})
}

func (b *testBoard) Cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.listener != nil {
		b.listener.Close()
	}
	b.listener = nil
	for c := range b.conns {
		c.Close()
	}
}

func (b *testBoard) serve(c net.Conn, n int) {
	defer func() {
		c.Close()
		b.mu.Lock()
		delete(b.conns, c)
		b.mu.Unlock()
	}()
	for {
		var h [7]byte
		if _, err := io.ReadFull(c, h[:]); err != nil {
			return
		}
		pdu := make([]byte, binary.BigEndian.Uint16(h[4:])-1)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		b.acting.Lock()
		answer, keep := b.handle(n, pdu)
		b.acting.Unlock()
		if answer != nil {
			binary.BigEndian.PutUint16(h[4:], uint16(len(answer)+1))
			c.Write(append(h[:], answer...))
		}
		if !keep {
			return
		}
	}
}

func (b *testBoard) handle(conn int, pdu []byte) (answer []byte, keep bool) {
	b.mu.Lock()
	b.wire = append(b.wire, wireEvent{conn, time.Since(b.start), string(pdu)})
	var f *relaytest.Fault
	if i := slices.IndexFunc(b.faults, func(f relaytest.Fault) bool { return b.meets(f, pdu) }); i >= 0 {
		x := b.faults[i]
		f = &x
		if x.Once {
			b.faults = slices.Delete(b.faults, i, i+1)
		}
	}
	b.mu.Unlock()
	if f == nil {
		return b.act(pdu), true
	}
	switch f.Do {
	case relaytest.Refuse:
		return []byte{pdu[0] | 0x80, 6}, true
	case relaytest.Ignore:
		return nil, true
	case relaytest.Mute:
		b.act(pdu)
		return nil, true
	case relaytest.Hangup:
		return nil, false
	case relaytest.ActHangup:
		b.act(pdu)
		return nil, false
	}
	if f.Do == relaytest.StallRequest {
		<-b.hold()
	} else {
		<-time.After(f.Delay)
	}
	return b.act(pdu), true
}

// hold holds the request, and with it all others.
func (b *testBoard) hold() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.release = make(chan struct{})
	return b.release
}

func (b *testBoard) Stalled() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.release == nil {
		return 0
	}
	return 1
}

func (b *testBoard) Release() {
	b.mu.Lock()
	if b.release != nil {
		close(b.release)
		b.release = nil
	}
	b.mu.Unlock()
	b.acting.Lock() // the held request has the lock
	defer b.acting.Unlock()
}

func (b *testBoard) meets(f relaytest.Fault, pdu []byte) bool {
	opening := pdu[0] == 6 && b.timedUnit > 0 || pdu[0] == 5 && (pdu[3] == 0xFF) == b.openOn
	switch f.On {
	case relaytest.Opening:
		return opening
	case relaytest.Closing:
		return pdu[0] == 5 && !opening
	case onSensing:
		return pdu[0] == 2
	}
	return pdu[0] != 2 // the cases concern the contact's own requests
}

func (b *testBoard) act(pdu []byte) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	n, v := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	if n > 7 || pdu[0] <= 2 && int(n+v) > len(b.coils) || pdu[0] == 2 && v > 1 && b.gaps {
		return []byte{pdu[0] | 0x80, 2}
	}
	switch pdu[0] {
	case 1, 2: // an input has the state of its coil
		bits := byte(0)
		for i, on := range b.coils[n : n+v] {
			if on {
				bits |= 1 << i
			}
		}
		return []byte{pdu[0], 1, bits}
	case 5:
		b.setLocked(int(n), v == 0xFF00)
	case 6:
		b.regs[n] = v
		if b.timedUnit > 0 {
			b.timerLocked(int(n), time.Duration(v)*b.timedUnit)
		}
	default:
		return []byte{pdu[0] | 0x80, 1}
	}
	return pdu
}

func (b *testBoard) timerLocked(n int, d time.Duration) {
	b.setLocked(n, b.openOn)
	b.timers[n] = time.AfterFunc(d, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.setLocked(n, !b.openOn)
	})
}

func (b *testBoard) setLocked(n int, on bool) {
	if b.timers[n] != nil {
		b.timers[n].Stop()
	}
	if b.coils[n] != on {
		b.coils[n] = on
		b.changes[n] = append(b.changes[n], relaytest.Change{At: time.Since(b.start), Open: on == b.openOn})
	}
}

func (b *testBoard) Inject(f relaytest.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, f)
}

func (b *testBoard) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *testBoard) Move(line int, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.setLocked(line, open == b.openOn)
}

func (b *testBoard) Changes(line int) []relaytest.Change {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.changes[line])
}

// requests returns a copy of all received requests.
func (b *testBoard) requests() []wireEvent {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.wire)
}
