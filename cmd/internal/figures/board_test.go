//go:build linux

package figures

import (
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// board answers Modbus TCP (MODBUS Application Protocol V1.1b3, functions 1 and 5) and records when each write arrived.
// Coil on means open. The time of an opening is taken when the board reads the command, as on the bare path. A length
// ends at the kernel's timestamp of the close, so that it does not include a wait of the board for a processor.
type board struct {
	at     netip.AddrPort
	opened []chan time.Time // by coil; room for more openings than a test leaves unread

	mu        sync.Mutex
	on        []bool
	fails     []bool      // it refuses every request for the coil
	confirmed []time.Time // just before the opening was confirmed; wall clock
	lengths   samples     // from then to the arrival of the close
}

func newBoard(t testing.TB, addr netip.Addr, coils int) *board {
	t.Helper()
	l, err := net.ListenTCP("tcp4", net.TCPAddrFromAddrPort(netip.AddrPortFrom(addr, 0)))
	require.NoError(t, err)
	b := &board{at: l.Addr().(*net.TCPAddr).AddrPort(), on: make([]bool, coils), fails: make([]bool, coils),
		confirmed: make([]time.Time, coils)}
	for range coils {
		b.opened = append(b.opened, make(chan time.Time, 8))
	}
	var serving sync.WaitGroup
	var mu sync.Mutex
	var conns []net.Conn
	serving.Go(func() {
		for {
			c, err := l.AcceptTCP()
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

func (b *board) serve(c *net.TCPConn) {
	raw, err := c.SyscallConn()
	if err == nil {
		err = raw.Control(func(fd uintptr) {
			err = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_TIMESTAMPNS,
				1)
		})
	}
	if err != nil {
		return // the daemon will report the lost board
	}
	buf := make([]byte, 4096)
	for n := 0; ; {
		got, arrived, err := receive(raw, buf[n:])
		if err != nil || got == 0 {
			return
		}
		at := time.Now()
		n += got
		used := 0
		for n-used >= 12 { // both requests have 12 octets
			answer := b.answer(buf[used:used+12], at, arrived)
			if _, err := c.Write(answer); err != nil {
				return
			}
			used += 12
		}
		n = copy(buf, buf[used:n])
	}
}

// receive reads once and returns the kernel's timestamp of the data (socket(7), SO_TIMESTAMPNS in the kernel's
// networking/timestamping).
func receive(raw syscall.RawConn, buf []byte) (n int, arrived time.Time, err error) {
	oob := make([]byte, 128)
	var oobn int
	if waited := raw.Read(func(fd uintptr) bool {
		n, oobn, _, _, err = unix.Recvmsg(int(fd), buf, oob, 0)
		return !errors.Is(err, unix.EAGAIN)
	}); waited != nil {
		return 0, arrived, waited
	}
	messages, _ := unix.ParseSocketControlMessage(oob[:oobn])
	for _, m := range messages {
		if m.Header.Level == unix.SOL_SOCKET && m.Header.Type == unix.SCM_TIMESTAMPNS && len(m.Data) >= 16 {
			arrived = time.Unix(int64(binary.NativeEndian.Uint64(m.Data)),
				int64(binary.NativeEndian.Uint64(m.Data[8:])))
		}
	}
	return n, arrived, err
}

func (b *board) answer(q []byte, at, arrived time.Time) []byte {
	coil, value := int(binary.BigEndian.Uint16(q[8:])), binary.BigEndian.Uint16(q[10:])
	b.mu.Lock()
	defer b.mu.Unlock()
	code := byte(2) // of an exception: illegal data address
	switch {
	case coil < len(b.on) && b.fails[coil]:
		code = 4 // server device failure
	case q[7] == 5 && coil < len(b.on):
		switch on := value == 0xff00; {
		case on && !b.on[coil]:
			b.opened[coil] <- at
			b.confirmed[coil] = time.Now().Round(0)
		case !on && b.on[coil]:
			b.lengths = append(b.lengths, arrived.Sub(b.confirmed[coil])) // without a timestamp, absurdly short
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
	a := append(append([]byte(nil), q[:8]...), code)
	a[5], a[7] = 3, q[7]|0x80
	return a
}

// fail says whether the board refuses every request for a coil.
func (b *board) fail(coil int, fails bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fails[coil] = fails
}

// taken returns the lengths of the openings that have ended since the last call.
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
