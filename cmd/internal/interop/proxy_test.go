//go:build linux

package interop

import (
	"fmt"
	"net"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// proxy acts as the network between the daemon and the board. It can cut connections and hold back data.
type proxy struct {
	port int
	l    net.Listener
	all  sync.WaitGroup

	mu      sync.Mutex
	target  string
	cond    *sync.Cond
	blocked bool
	blockAt func(data []byte) bool // if it returns true, the network is blocked from that data on; nil: never
	refuse  bool
	ended   bool
	conns   map[net.Conn]bool
}

// newProxy returns a proxy to a program's port on 127.0.0.1.
func newProxy(t testing.TB, target int) *proxy {
	t.Helper()
	return newProxyTo(t, fmt.Sprintf("127.0.0.1:%d", target))
}

func newProxyTo(t testing.TB, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{port: l.Addr().(*net.TCPAddr).Port, target: target, l: l, conns: map[net.Conn]bool{}}
	p.cond = sync.NewCond(&p.mu)
	p.all.Go(p.accept)
	t.Cleanup(func() {
		p.mu.Lock()
		p.ended = true
		p.mu.Unlock()
		l.Close()
		p.cut()
		p.cond.Broadcast()
		p.all.Wait()
	})
	return p
}

func (p *proxy) accept() {
	for {
		c, err := p.l.Accept()
		if err != nil {
			return
		}
		d := p.connect(c)
		if d == nil {
			c.Close()
			continue
		}
		p.all.Go(func() { p.pass(c, d) })
		p.all.Go(func() { p.pass(d, c) })
	}
}

// connect returns the connection to the board that belongs to c, nil if there is to be none.
func (p *proxy) connect(c net.Conn) net.Conn {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.refuse || p.ended {
		return nil
	}
	d, err := net.Dial("tcp4", p.target)
	if err != nil {
		return nil
	}
	p.conns[c], p.conns[d] = true, true
	return d
}

func (p *proxy) pass(from, to net.Conn) {
	defer p.drop(from)
	defer p.drop(to)
	buf := make([]byte, 1024)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		if p.blockAt != nil && p.blockAt(buf[:n]) {
			p.blocked, p.blockAt = true, nil
		}
		held := p.blocked
		for p.blocked && !p.ended {
			p.cond.Wait()
		}
		p.mu.Unlock()
		if held && aborted(from) {
			// A blocked network loses its data, and nobody repeats the data once the sender's socket is closed.
			return
		}
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// aborted reports whether the other side has reset the connection.
func aborted(c net.Conn) bool {
	raw, err := c.(*net.TCPConn).SyscallConn()
	if err != nil {
		return true
	}
	gone := false
	err = raw.Control(func(fd uintptr) {
		fds := []unix.PollFd{{Fd: int32(fd)}}
		n, err := unix.Poll(fds, 0)
		gone = err == nil && n > 0 && fds[0].Revents&(unix.POLLERR|unix.POLLHUP) != 0
	})
	return gone || err != nil
}

func (p *proxy) drop(c net.Conn) {
	c.Close()
	p.mu.Lock()
	delete(p.conns, c)
	p.mu.Unlock()
}

// cut resets every connection.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		_ = c.(*net.TCPConn).SetLinger(0)
		c.Close()
	}
}

// set changes whether new connections are refused, and whether data is held back.
func (p *proxy) set(refuse, blocked bool) {
	p.mu.Lock()
	p.refuse, p.blocked = refuse, blocked
	p.mu.Unlock()
	p.cond.Broadcast()
}

// blockWith holds back all data, beginning with the first that fits.
func (p *proxy) blockWith(fits func(data []byte) bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.blockAt = fits
}

// isBlocked reports whether data is held back.
func (p *proxy) isBlocked() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.blocked
}

// lead directs new connections to another board.
func (p *proxy) lead(target int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.target = fmt.Sprintf("127.0.0.1:%d", target)
}
