package cli

import (
	"io"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/term"

	"clearback/config"
	"clearback/supervision/sanitize"
)

// sinkLines is how many log lines wait for a slow reader: some seconds of a busy cabinet (our own figure).
const sinkLines = 4096

// sink writes log lines from its own goroutine. If the reader does not read, lines are dropped, counted and reported
// later. The log never delays a line or an interruption (invariant 10).
type sink struct {
	w    io.Writer
	q    chan []byte // sinkLines: holds a burst; further lines are dropped
	lost atomic.Uint64
	end  chan struct{}
	once sync.Once
	done chan struct{}
}

func newSink(w io.Writer) *sink {
	s := &sink{w: w, q: make(chan []byte, sinkLines), end: make(chan struct{}), done: make(chan struct{})}
	go s.run()
	return s
}

func (s *sink) Write(p []byte) (int, error) {
	select {
	case s.q <- append([]byte(nil), p...): // a copy, because zap reuses its buffer
	default:
		s.lost.Add(1)
	}
	return len(p), nil
}

// Sync does nothing. Close waits for the queued lines.
func (s *sink) Sync() error { return nil }

// Close writes the queued lines. It waits at most a second.
func (s *sink) Close() {
	s.once.Do(func() { close(s.end) })
	select {
	case <-s.done:
	case <-time.After(time.Second):
	}
}

func (s *sink) run() {
	defer close(s.done)
	for {
		select {
		case p := <-s.q:
			s.put(p)
		case <-s.end:
			for {
				select {
				case p := <-s.q:
					s.put(p)
				default:
					return
				}
			}
		}
	}
}

func (s *sink) put(p []byte) {
	_, _ = s.w.Write(sanitize.Lines(p)) // a failed write of the log cannot be reported
}

// newLogger makes the logger that c describes. end writes the queued lines and stops it.
func newLogger(c config.Log, w io.Writer) (log *zap.Logger, end func()) {
	s := newSink(w)
	level, err := zapcore.ParseLevel(c.Level)
	if err != nil { // c was checked, so the level is unset: info
		level = zap.InfoLevel
	}
	ec := zap.NewProductionEncoderConfig()
	ec.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	ec.EncodeDuration = zapcore.StringDurationEncoder
	var enc zapcore.Encoder
	if c.Format == "console" || c.Format != "json" && isTerminal(w) {
		ec.EncodeTime = zapcore.TimeEncoderOfLayout("15:04:05.000")
		enc = zapcore.NewConsoleEncoder(ec)
	} else {
		enc = zapcore.NewJSONEncoder(ec)
	}
	log = zap.New(boundedCore{zapcore.NewCore(enc, s, level)})
	stop := make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		reportLost(s, log, stop)
	}()
	return log, func() { close(stop); <-ended; s.Close() }
}

// reportLost logs every second how many lines were lost, if any.
func reportLost(s *sink, log *zap.Logger, stop <-chan struct{}) {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			if n := s.lost.Swap(0); n > 0 {
				log.Warn("log lines were lost: the reader of the log is too slow", zap.Uint64("lines", n))
			}
		case <-stop:
			return
		}
	}
}

func isTerminal(w io.Writer) bool {
	f := fileOf(w)
	return f != nil && term.IsTerminal(int(f.Fd()))
}
