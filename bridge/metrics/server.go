package metrics

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"golang.org/x/net/netutil"

	"clearback/bridge/control"
	"clearback/bridge/localaddr"
)

// Limits, all our own numbers. Prometheus scrapes every 15 s to 60 s and allows 10 s (from memory).
const (
	connectionsMost = 16
	requestRate     = 20 // of scrapes and questions for readiness a second, from everybody together
	answerTimeout   = 5 * time.Second
	readTimeout     = 5 * time.Second
	writeTimeout    = 10 * time.Second
	idleTimeout     = 2 * time.Minute
	headerMax       = 8 << 10
)

// Options are the options of [Listen].
type Options struct {
	Address netip.AddrPort
	Metrics *Metrics
	// Healthy reports whether every line runs. It must not block.
	Healthy func() bool
	// Unready returns why the daemon does not serve all its lines; nil: it does. It may block.
	Unready func() []string
	Logger  *zap.Logger
}

// Server serves /metrics, /healthz and /readyz. It keeps nothing about its clients but their connections.
type Server struct {
	o      Options
	http   http.Server
	addr   net.Addr
	making chan struct{} // one slot: its holder makes an answer, so that answers never occupy every processor
	rate   rate
	served sync.WaitGroup
}

// Listen serves until Close. On Linux it works before the machine has the address.
func Listen(o Options) (*Server, error) {
	l, err := localaddr.ListenConfig(o.Address.Addr()).Listen(context.Background(), "tcp", o.Address.String())
	if err != nil {
		return nil, fmt.Errorf("metrics.listen: %w", err)
	}
	return serve(o, l), nil
}

// serve serves at l.
func serve(o Options, l net.Listener) *Server {
	s := &Server{o: o, addr: l.Addr(), making: make(chan struct{}, 1)} // see making
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.bounded(o.Metrics.scrape(o.Logger)))
	mux.Handle("GET /readyz", s.bounded(http.HandlerFunc(s.ready)))
	mux.HandleFunc("GET /healthz", s.health)
	s.http = http.Server{Handler: mux, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: headerMax, ErrorLog: zap.NewStdLog(zap.NewNop())} // what a stranger sends is not worth a line
	s.served.Go(func() {
		if err := s.http.Serve(netutil.LimitListener(l, connectionsMost)); !errors.Is(err, http.ErrServerClosed) {
			o.Logger.Error("the metrics are not served any more; calls are not affected", zap.Error(err))
		}
	})
	return s
}

// Close ends every connection. It does not wait for an answer that is being made: a line that is stuck may keep one for
// ever, and the next process waits for the end of this one.
func (s *Server) Close() error {
	err := s.http.Close()
	s.served.Wait()
	return err
}

// bounded limits how often h runs, and how long its answer may take. It runs one at a time. h itself may take longer
// than its answer, and the next then waits for it.
func (s *Server) bounded(h http.Handler) http.Handler {
	alone := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case s.making <- struct{}{}:
			defer func() { <-s.making }()
			h.ServeHTTP(w, r)
		case <-r.Context().Done(): // the answer has been given up
		}
	})
	timely := http.TimeoutHandler(alone, answerTimeout, "a line does not answer; see /healthz\n")
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.rate.take(time.Now()) {
			http.Error(w, "too many requests; try again", http.StatusServiceUnavailable)
			return
		}
		timely.ServeHTTP(w, r)
	})
}

func (s *Server) health(w http.ResponseWriter, _ *http.Request) {
	if !s.o.Healthy() {
		http.Error(w, "a line is stuck; the log says which", http.StatusServiceUnavailable)
		return
	}
	_, _ = fmt.Fprintln(w, "ok") // the client may have gone
}

func (s *Server) ready(w http.ResponseWriter, _ *http.Request) {
	if why := s.o.Unready(); len(why) > 0 {
		http.Error(w, strings.Join(why, "\n"), http.StatusServiceUnavailable)
		return
	}
	_, _ = fmt.Fprintln(w, "ok") // the client may have gone
}

// Unready returns why the daemon does not serve all its lines. It repeats no text from outside.
func Unready(d *control.Daemon) (why []string) {
	if len(d.Problems) > 0 {
		why = append(why, "this machine does not have every address of the file")
	}
	if d.Journal.Problem != "" {
		why = append(why, "the journal cannot be written")
	}
	if contactsLeft(d) > 0 {
		why = append(why, "a contact that a reload took from its line is not known closed")
	}
	for i := range d.Lines {
		if l := &d.Lines[i]; l.Fault != "" || l.Contact.Problem != "" {
			why = append(why, "line "+l.Name+": its contact is not known to be as the daemon wants it")
		}
	}
	return why
}

// rate is a token bucket that holds one second. Its zero value is full. Safe for concurrent use.
type rate struct {
	mu   sync.Mutex
	free time.Time // when the bucket would be full
}

// take reports whether another request may pass now.
func (r *rate) take(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.free.Before(now) {
		r.free = now
	}
	if r.free.Sub(now) >= time.Second {
		return false
	}
	r.free = r.free.Add(time.Second / requestRate)
	return true
}
