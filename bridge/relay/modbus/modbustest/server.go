package modbustest

import (
	"net"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"
)

// ServerOptions say what a server does with requests.
type ServerOptions struct {
	// Connect returns what serves a new connection. After an error the connection ends.
	Connect func() (Session, error)
	// Meets reports whether faults for the given requests apply to this one.
	Meets func(on relaytest.On, pdu []byte) bool
	// AtOnce serves the requests of different connections at the same time. Otherwise the server serves one request at
	// a time, like small boards.
	AtOnce bool
}

// Session serves one connection.
type Session interface {
	// Act carries out a request and returns the PDU of its answer. The connection ends if it is nil.
	Act(Frame) []byte
	// Close ends a request that is being carried out. It may be called twice.
	Close() error
}

// Server serves Modbus TCP with faults. With Move and Changes it is a relaytest.Controller. Its methods are safe for
// concurrent use.
type Server struct {
	opt     ServerOptions
	start   time.Time
	address string

	acting sync.Mutex // one request at a time over all connections

	mu       sync.Mutex
	listener net.Listener // nil while cut
	conns    map[net.Conn]Session
	faults   []relaytest.Fault
	requests []Request
	connects int
	release  chan struct{}  // closed to release the held request; nil if none is held
	held     sync.WaitGroup // the held requests, until they have been carried out

	serving sync.WaitGroup
}

// Request is a request that a server has received.
type Request struct {
	Conn int           // number of the connection, from 1
	At   time.Duration // since the server was made
	Unit byte
	PDU  string
}

// NewServer returns a server on an address of its own, which ends with the test.
func NewServer(t testing.TB, o ServerOptions) *Server {
	t.Helper()
	s := &Server{opt: o, start: time.Now(), address: relaytest.Address(t), conns: map[net.Conn]Session{}}
	s.Restore()
	t.Cleanup(func() {
		s.Cut()
		s.Release()
		s.serving.Wait()
	})
	return s
}

// Address returns host:port.
func (s *Server) Address() string { return s.address }

// Since returns the time since the server was made, which is the clock of its requests.
func (s *Server) Since() time.Duration { return time.Since(s.start) }

// Requests returns all received requests.
func (s *Server) Requests() []Request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.requests)
}

// Restore allows connections again.
func (s *Server) Restore() {
	s.mu.Lock()
	defer s.mu.Unlock()
	l, err := net.Listen("tcp", s.address)
	if err != nil {
		panic(err) // the methods of a Controller have no test that they could fail
	}
	s.listener = l
	s.serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			session, n := s.connect(c, l)
			if session == nil {
				c.Close()
				continue
			}
			s.serving.Go(func() { s.serve(c, session, n) })
		}
	})
}

// connect returns the session of a new connection and its number. The session is nil if there is none or the
// server was cut meanwhile.
func (s *Server) connect(c net.Conn, l net.Listener) (Session, int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.listener != l {
		return nil, 0
	}
	session, err := s.opt.Connect()
	if err != nil {
		return nil, 0
	}
	s.conns[c] = session
	s.connects++
	return session, s.connects
}

// Cut ends all connections and refuses new ones until Restore.
func (s *Server) Cut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.listener != nil {
		stopListening(s.listener)
	}
	s.listener = nil
	for c, session := range s.conns {
		c.Close()
		session.Close()
	}
}

// stopListening closes a listener. A process that another goroutine has just started has a copy of the socket until it
// runs its program, so closing alone leaves the port taken for that time. On Linux, shutdown(2) ends the listening of
// all copies.
func stopListening(l net.Listener) {
	if raw, err := l.(*net.TCPListener).SyscallConn(); err == nil {
		// where shutdown does not apply to listeners, closing has to do
		_ = raw.Control(func(fd uintptr) { _ = syscall.Shutdown(int(fd), syscall.SHUT_RDWR) })
	}
	l.Close()
}

func (s *Server) serve(c net.Conn, session Session, n int) {
	defer func() {
		c.Close()
		session.Close()
		s.mu.Lock()
		delete(s.conns, c)
		s.mu.Unlock()
	}()
	for {
		f, err := ReadTCP(c)
		if err != nil {
			return
		}
		answer, keep := s.handle(session, n, f)
		if answer != nil {
			c.Write(TCP(f.Transaction, f.Unit, answer...))
		}
		if !keep {
			return
		}
	}
}

func (s *Server) handle(session Session, conn int, r Frame) (answer []byte, keep bool) {
	if !s.opt.AtOnce {
		s.acting.Lock()
		defer s.acting.Unlock()
	}
	s.mu.Lock()
	s.requests = append(s.requests, Request{conn, time.Since(s.start), r.Unit, string(r.PDU)})
	var f *relaytest.Fault
	if i := slices.IndexFunc(s.faults, func(f relaytest.Fault) bool { return s.opt.Meets(f.On, r.PDU) }); i >= 0 {
		x := s.faults[i]
		f = &x
		if x.Once {
			s.faults = slices.Delete(s.faults, i, i+1)
		}
	}
	s.mu.Unlock()
	act := func() ([]byte, bool) {
		answer := session.Act(r)
		return answer, answer != nil
	}
	if f == nil {
		return act()
	}
	switch f.Do {
	case relaytest.Refuse:
		return Exception(r.PDU[0], 6), true
	case relaytest.Ignore:
		return nil, true
	case relaytest.Mute:
		session.Act(r)
		return nil, true
	case relaytest.Hangup:
		return nil, false
	case relaytest.ActHangup:
		session.Act(r)
		return nil, false
	}
	if f.Do == relaytest.StallRequest {
		defer s.held.Done()
		<-s.hold()
	} else {
		<-time.After(f.Delay)
	}
	return act()
}

// hold holds the request, and with it all others unless they are served at once.
func (s *Server) hold() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.release = make(chan struct{})
	s.held.Add(1)
	return s.release
}

// Stalled returns the number of held requests, at most one.
func (s *Server) Stalled() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.release == nil {
		return 0
	}
	return 1
}

// Release releases the held request and returns when it was carried out.
func (s *Server) Release() {
	s.mu.Lock()
	if s.release != nil {
		close(s.release)
		s.release = nil
	}
	s.mu.Unlock()
	s.held.Wait()
}

// Inject adds a fault.
func (s *Server) Inject(f relaytest.Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = append(s.faults, f)
}

// Clear ends all faults.
func (s *Server) Clear() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = nil
}
