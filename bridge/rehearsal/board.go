package rehearsal

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/netip"
	"sync"
	"time"
)

// Function and exception codes of the MODBUS Application Protocol Specification V1.1b3, sections 6 and 7.
const (
	readCoils, readInputs         = 1, 2
	writeCoil, writeRegister      = 5, 6
	illegalFunction          byte = 1
	illegalAddress           byte = 2
	illegalValue             byte = 3
)

const (
	boardUnit  = 1
	boardCoils = 32
	// timedBase is the holding register of the timed output of coil 0; one count is timedUnit.
	timedBase = 100
	timedUnit = 100 * time.Millisecond
)

// board is a relay board with Modbus TCP. An energised coil opens the normally-closed contact of its line. Writing a
// count to register timedBase+n energises coil n for that many timedUnits. The methods may be called from any
// goroutine.
type board struct {
	addr  netip.AddrPort
	wired []terminal // set once, by coil

	all sync.WaitGroup

	mu     sync.Mutex
	l      net.Listener
	conns  map[net.Conn]bool
	coils  [boardCoils]bool
	timers [boardCoils]*time.Timer
	power  bool
	late   time.Duration // delay of each answer; commands are carried out at once
	later  time.Duration // late from the next command on that energises a coil; 0: late stays as it is
	cut    bool          // the network is cut: messages are lost in both directions
	wrote  [boardCoils]bool
	read   [boardCoils]bool // after the coil was written
	shut   bool
}

// terminal is what is wired to a coil and to the discrete input of the same number; nil means nothing.
type terminal struct {
	move func(energised bool)
	// reports whether loop current flows. The caller must not hold the board's mu, since a coil moves under it
	current func() bool
}

func openBoard(wired []terminal) (*board, error) {
	b := &board{wired: wired, conns: map[net.Conn]bool{}, power: true}
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("open the relay board on loopback: %w", err)
	}
	b.addr = l.Addr().(*net.TCPAddr).AddrPort()
	b.l = l
	b.all.Go(func() { b.accept(l) })
	return b, nil
}

func (b *board) accept(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		b.mu.Lock()
		if b.shut || !b.power {
			b.mu.Unlock()
			reset(c)
			continue
		}
		b.conns[c] = true
		b.all.Go(func() { b.serve(c) })
		b.mu.Unlock()
	}
}

// reset drops a connection the way a board does that has lost its state.
func reset(c net.Conn) {
	if t, ok := c.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // fails only on a connection that is gone
	}
	_ = c.Close()
}

func (b *board) serve(c net.Conn) {
	defer func() {
		reset(c)
		b.mu.Lock()
		delete(b.conns, c)
		b.mu.Unlock()
	}()
	for {
		var head [7]byte // MODBUS Messaging on TCP/IP V1.0b, section 3.1.3
		if _, err := io.ReadFull(c, head[:]); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(head[4:])) - 1
		if binary.BigEndian.Uint16(head[2:]) != 0 || n < 1 || n > 253 {
			return
		}
		pdu := make([]byte, n)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return
		}
		res, late := b.request(head[6], pdu)
		if res == nil {
			continue // the network is cut
		}
		binary.BigEndian.PutUint16(head[4:], uint16(len(res)+1))
		frame := append(head[:], res...)
		if late > 0 {
			time.AfterFunc(late, func() { _, _ = c.Write(frame) }) // a failed write means that the client is gone
			continue
		}
		if _, err := c.Write(frame); err != nil {
			return
		}
	}
}

func refuse(function, code byte) []byte { return []byte{function | 0x80, code} }

// request carries out one request. A nil response means that the request never reached the board. late is the delay of
// the response.
func (b *board) request(unit byte, pdu []byte) (res []byte, late time.Duration) {
	inputs := b.inputs(pdu)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cut || !b.power || unit != boardUnit {
		return nil, 0
	}
	res = b.answer(pdu, inputs)
	return res, b.late // which the request may have changed
}

// inputs reads the discrete inputs named in a request.
func (b *board) inputs(pdu []byte) (in [boardCoils]bool) {
	if len(pdu) != 5 || pdu[0] != readInputs {
		return in
	}
	from, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	for i := from; i < min(from+n, len(b.wired), boardCoils); i++ {
		in[i] = b.wired[i].current != nil && b.wired[i].current()
	}
	return in
}

// answer carries out a request and returns the response. The caller holds mu.
func (b *board) answer(pdu []byte, inputs [boardCoils]bool) []byte {
	if len(pdu) != 5 {
		return refuse(pdu[0], illegalFunction)
	}
	addr, value := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	switch pdu[0] {
	case readCoils:
		for i := addr; i < min(addr+value, boardCoils); i++ {
			b.read[i] = b.read[i] || b.wrote[i]
		}
		return bits(pdu[0], b.coils, addr, value)
	case readInputs:
		return bits(pdu[0], inputs, addr, value)
	case writeCoil:
		switch {
		case addr >= boardCoils:
			return refuse(pdu[0], illegalAddress)
		case value != 0 && value != 0xFF00:
			return refuse(pdu[0], illegalValue)
		}
		b.stopTimer(addr)
		b.set(addr, value != 0)
		b.wrote[addr] = true
		if value != 0 && b.later > 0 {
			b.late, b.later = b.later, 0
		}
	case writeRegister:
		coil := addr - timedBase
		if coil < 0 || coil >= boardCoils {
			return refuse(pdu[0], illegalAddress)
		}
		b.setFor(coil, time.Duration(value)*timedUnit)
	default:
		return refuse(pdu[0], illegalFunction)
	}
	return pdu // a write is echoed
}

func bits(function byte, from [boardCoils]bool, addr, n int) []byte {
	if n < 1 || n > 2000 {
		return refuse(function, illegalValue)
	}
	if addr+n > boardCoils {
		return refuse(function, illegalAddress)
	}
	res := make([]byte, 2+(n+7)/8)
	res[0], res[1] = function, byte((n+7)/8)
	for i := range n {
		if from[addr+i] {
			res[2+i/8] |= 1 << (i % 8)
		}
	}
	return res
}

// hasMaster reports whether a master is connected, and has written each wired coil and then read it.
func (b *board) hasMaster() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range b.wired {
		if !b.wrote[i] || !b.read[i] {
			return false
		}
	}
	return len(b.conns) > 0
}

// The caller of the following functions holds mu.

func (b *board) set(coil int, on bool) {
	if b.coils[coil] == on {
		return
	}
	b.coils[coil] = on
	if coil < len(b.wired) && b.wired[coil].move != nil {
		b.wired[coil].move(on)
	}
}

func (b *board) stopTimer(coil int) {
	if t := b.timers[coil]; t != nil {
		t.Stop()
		b.timers[coil] = nil
	}
}

func (b *board) setFor(coil int, d time.Duration) {
	b.stopTimer(coil)
	b.set(coil, d > 0)
	if d == 0 {
		return
	}
	var t *time.Timer
	t = time.AfterFunc(d, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.timers[coil] == t {
			b.timers[coil] = nil
			b.set(coil, false)
		}
	})
	b.timers[coil] = t
}

// losePower releases every coil and drops every connection. The board does not answer until restorePower.
func (b *board) losePower() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.power = false
	for i := range b.coils {
		b.stopTimer(i)
		b.set(i, false)
	}
	b.dropLocked()
}

// slow delays every answer from now on.
func (b *board) slow(late time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.late, b.later = late, 0
}

// slowFromOpening delays every answer from that to the next command that energises a coil.
func (b *board) slowFromOpening(late time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.later = late
}

func (b *board) restorePower() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.power = true
}

// cutNetwork makes the board lose everything that is sent in either direction. Connections stay open, as with a pulled
// cable.
func (b *board) cutNetwork() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = true
}

// mendNetwork ends the cut. What was sent during the cut never arrives, and the board no longer knows the earlier
// connections.
func (b *board) mendNetwork() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = false
	b.dropLocked()
}

func (b *board) dropLocked() {
	for c := range b.conns {
		reset(c)
	}
}

func (b *board) close() {
	b.mu.Lock()
	b.shut = true
	for i := range b.timers {
		b.stopTimer(i)
	}
	_ = b.l.Close() // no new connections
	b.dropLocked()
	b.mu.Unlock()
	b.all.Wait()
}
