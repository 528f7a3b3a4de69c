package uatest

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
)

// Connections are the TCP connections of a peer: one for each remote address, accepted or dialled.
type Connections struct {
	mu    sync.Mutex
	byEnd map[netip.AddrPort]net.Conn
	all   []net.Conn
	wg    sync.WaitGroup
	take  func(text string, from netip.AddrPort)
}

// NewTCP returns a peer on TCP. It answers on the connection of the request, and sends requests on an existing
// connection, as RFC 3261 section 18 requires.
func NewTCP(t testing.TB, name string) *Peer {
	t.Helper()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Peer{T: t, Name: name, proto: "TCP", At: l.Addr().(*net.TCPAddr).AddrPort(), In: make(chan Message, 1000)}
	seen := map[string]bool{}
	var mu sync.Mutex // guards seen
	p.Connections = &Connections{byEnd: map[netip.AddrPort]net.Conn{}, take: func(text string, from netip.AddrPort) {
		mu.Lock()
		defer mu.Unlock()
		if seen[text] {
			p.Repeats.Add(1)
			return
		}
		seen[text] = true
		p.In <- Parse(text, from)
	}}
	p.Out = p.Connections.write
	p.Connections.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.Connections.add(c)
		}
	})
	t.Cleanup(func() { l.Close(); p.Connections.Drop(-1); p.Connections.wg.Wait() })
	return p
}

func (s *Connections) add(c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	end := c.RemoteAddr().(*net.TCPAddr).AddrPort()
	s.byEnd[end], s.all = c, append(s.all, c)
	s.wg.Go(func() { s.read(c, end) })
}

func (s *Connections) read(c net.Conn, end netip.AddrPort) {
	defer s.forget(c, end)
	in := bufio.NewReader(c)
	for {
		var head strings.Builder
		length := 0
		for {
			line, err := in.ReadString('\n')
			if err != nil {
				return
			}
			head.WriteString(line)
			if name, v, ok := strings.Cut(line, ":"); ok && strings.EqualFold(name, "Content-Length") {
				fmt.Sscan(v, &length)
			}
			if line == "\r\n" {
				break
			}
		}
		body := make([]byte, length)
		if _, err := io.ReadFull(in, body); err != nil {
			return
		}
		s.take(head.String()+string(body), end)
	}
}

func (s *Connections) forget(c net.Conn, end netip.AddrPort) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.byEnd[end] == c {
		delete(s.byEnd, end)
	}
	c.Close()
}

func (s *Connections) write(text []byte, to netip.AddrPort) error {
	s.mu.Lock()
	c := s.byEnd[to]
	s.mu.Unlock()
	if c == nil {
		var err error
		if c, err = net.Dial("tcp4", to.String()); err != nil {
			return err
		}
		s.add(c)
	}
	_, err := c.Write(text)
	return err
}

// Open returns the number of connections that are open.
func (s *Connections) Open() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.byEnd)
}

// Drop closes all connections; linger 0 aborts them (RST), -1 closes them as usual.
func (s *Connections) Drop(linger int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for end, c := range s.byEnd {
		c.(*net.TCPConn).SetLinger(linger)
		delete(s.byEnd, end)
	}
	for _, c := range s.all {
		c.Close()
	}
	s.all = nil
}
