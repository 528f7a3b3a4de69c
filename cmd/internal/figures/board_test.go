//go:build linux

package figures

import (
	"encoding/binary"
	"net"
	"net/netip"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// board answers Modbus TCP (MODBUS Application Protocol V1.1b3, functions 1 and 5) and notes when each write arrived. Coil on means open.
type board struct {
	at     netip.AddrPort
	opened []chan time.Time // by coil; room for more openings than anybody leaves unread

	mu        sync.Mutex
	on        []bool
	confirmed []time.Time // when the opening was about to be confirmed
	lengths   samples     // from there to the arrival of the close
}

func newBoard(t testing.TB, addr netip.Addr, coils int) *board {
	t.Helper()
	l, err := net.ListenTCP("tcp4", net.TCPAddrFromAddrPort(netip.AddrPortFrom(addr, 0)))
	require.NoError(t, err)
	b := &board{at: l.Addr().(*net.TCPAddr).AddrPort(), on: make([]bool, coils), confirmed: make([]time.Time, coils)}
	for range coils {
		b.opened = append(b.opened, make(chan time.Time, 8))
	}
	var serving sync.WaitGroup
	var mu sync.Mutex
	var conns []net.Conn
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			conns = append(conns, c)
			mu.Unlock()
			serving.Go(func() { b.serve(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range conns {
			c.Close()
		}
		mu.Unlock()
		serving.Wait()
	})
	return b
}

func (b *board) serve(c net.Conn) {
	buf := make([]byte, 4096)
	for n := 0; ; {
		got, err := c.Read(buf[n:])
		if err != nil {
			return
		}
		at := time.Now()
		n += got
		used := 0
		for n-used >= 12 { // both requests have 12 octets
			answer := b.answer(buf[used:used+12], at)
			if _, err := c.Write(answer); err != nil {
				return
			}
			used += 12
		}
		n = copy(buf, buf[used:n])
	}
}

func (b *board) answer(q []byte, at time.Time) []byte {
	coil, value := int(binary.BigEndian.Uint16(q[8:])), binary.BigEndian.Uint16(q[10:])
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case q[7] == 5 && coil < len(b.on):
		switch on := value == 0xff00; {
		case on && !b.on[coil]:
			b.opened[coil] <- at
			b.confirmed[coil] = time.Now()
		case !on && b.on[coil]:
			b.lengths = append(b.lengths, at.Sub(b.confirmed[coil]))
		}
		b.on[coil] = value == 0xff00
		return q
	case q[7] == 1 && coil < len(b.on) && value == 1:
		a := append(append([]byte(nil), q[:8]...), 1, 0)
		if b.on[coil] {
			a[9] = 1
		}
		a[5] = 4
		return a
	}
	a := append(append([]byte(nil), q[:8]...), 2) // illegal data address
	a[5], a[7] = 3, q[7]|0x80
	return a
}

// taken returns the lengths of the openings that ended since it was last asked.
func (b *board) taken() samples {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.lengths
	b.lengths = nil
	return l
}

func (b *board) closed() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, on := range b.on {
		if on {
			return false
		}
	}
	return true
}
