package control

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"go.uber.org/zap"
)

// Options are the options of [Listen].
type Options struct {
	Path    string // of the Unix socket; its folder must exist
	Group   string // a group that may also use the socket, by name or number; "": the group of the process
	Backend Backend
	// Logger may be nil.
	Logger *zap.Logger
}

// versionHeader is in every response.
const versionHeader = "Clearback-Api"

// Limits of our own, generous on one machine. A client has readTimeout to send a request and writeTimeout to receive
// the response. It may be idle for idleTimeout.
const (
	readTimeout  = 5 * time.Second
	writeTimeout = 5 * time.Second
	idleTimeout  = time.Minute
	// closeTimeout is how long Close waits for clients to receive their last responses.
	closeTimeout = time.Second
	// headerMax limits the header of a request and bodyMax its body, in bytes. The standard library's own limit for the
	// header is 1 MB.
	headerMax = 16 << 10
	bodyMax   = 64 << 10
)

// Server serves the control socket.
type Server struct {
	// set once
	path    string
	own     fs.FileInfo
	backend Backend
	log     *zap.Logger
	http    http.Server
	ctx     context.Context // ends with Close
	stop    context.CancelFunc
	served  chan struct{} // closed when the server accepts no more connections

	mu       sync.Mutex
	closed   bool
	requests sync.WaitGroup // Add only under mu and while not closed
}

// Listen creates the socket with mode 0660 and serves it. It replaces a socket that a dead daemon left behind. If a
// daemon answers at the socket, or the path is anything other than a socket, the error is [ErrSocketInUse]. A symbolic
// link is not followed.
func Listen(o Options) (*Server, error) {
	l, own, err := listen(o.Path, o.Group)
	if err != nil {
		return nil, err
	}
	s := newServer(o)
	s.own = own
	s.serve(l)
	return s, nil
}

func newServer(o Options) *Server {
	s := &Server{path: o.Path, backend: o.Backend, log: o.Logger, served: make(chan struct{})}
	if s.log == nil {
		s.log = zap.NewNop()
	}
	s.ctx, s.stop = context.WithCancel(context.Background())
	s.http = http.Server{
		Handler: s, ReadHeaderTimeout: readTimeout, ReadTimeout: readTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: headerMax,
		ErrorLog:       zap.NewStdLog(s.log.Named("control")),
	}
	return s
}

func (s *Server) serve(l net.Listener) {
	go func() {
		defer close(s.served)
		if err := s.http.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("the control socket has stopped working; calls are not affected", zap.String("socket", s.path),
				zap.Error(err))
		}
	}()
}

// Close cancels the pending requests, waits for them, and removes the socket.
func (s *Server) Close() error {
	s.mu.Lock()
	first := !s.closed
	s.closed = true
	s.mu.Unlock()
	s.stop()
	answered := make(chan struct{})
	go func() { defer close(answered); s.requests.Wait() }()
	grace := time.NewTimer(closeTimeout)
	defer grace.Stop()
	select {
	case <-answered:
	case <-grace.C: // a client does not send the rest of its request, or does not receive its response
	}
	err := s.http.Close()
	<-answered
	<-s.served
	if !first {
		return nil
	}
	if s.own != nil {
		err = errors.Join(err, unlink(s.path, s.own))
	}
	return err
}

// begin counts a request, unless the server is closed.
func (s *Server) begin() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.requests.Add(1)
	}
	return !s.closed
}

// ServeHTTP handles one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set(versionHeader, strconv.Itoa(Version))
	if !s.begin() {
		s.answer(w, nil, &Error{Code: http.StatusServiceUnavailable, Reason: ReasonStopped,
			Text: "the daemon is shutting down; try again when it has been restarted"})
		return
	}
	defer s.requests.Done()
	do, err := route(w, r)
	if err != nil {
		s.answer(w, nil, err)
		return
	}
	out, err := do(s, r)
	s.answer(w, out, err)
}
