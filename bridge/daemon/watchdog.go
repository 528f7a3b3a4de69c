package daemon

import (
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// watchdog feeds the service manager's watchdog for as long as the machine and goroutine of every line run. If one is
// stuck, its line neither rings nor can call for help, so the service manager has to kill the daemon and start it
// again. That would cut off an emergency call, so the watchdog is fed whatever the lines do while such a call is up.
type watchdog struct {
	// set once
	every     time.Duration
	lines     []*watchedLine
	emergency *probe
	notify    func(state string)
	log       *zap.Logger
	quit      chan struct{} // closed by end
	fed       sync.WaitGroup

	stuck string // the lines that did not run at the last tick; owned by run
}

// watchedLine is a line and when it last answered.
type watchedLine struct {
	name string
	*probe
}

// probe asks a question again and again, in a goroutine of its own, since the answer may never come.
type probe struct {
	ask   func() bool
	began time.Time
	at    atomic.Int64 // when the last answer came, after began
	said  atomic.Bool  // the last answer
}

func newWatchdog(d *Daemon, o Options) *watchdog {
	w := &watchdog{every: o.Watchdog, emergency: &probe{ask: d.EmergencyUp}, notify: o.Notify, log: o.Logger,
		quit: make(chan struct{})}
	for _, l := range d.lines {
		w.lines = append(w.lines, &watchedLine{l.c.Name, &probe{ask: func() bool {
			l.line.Ping()
			return true
		}}})
	}
	return w
}

func (w *watchdog) start() {
	w.emergency.start(w.every, w.quit)
	for _, l := range w.lines {
		l.start(w.every, w.quit)
	}
	w.fed.Go(w.run)
}

// end returns when nothing more is fed. It does not wait for an answer that is outstanding.
func (w *watchdog) end() {
	close(w.quit)
	w.fed.Wait()
}

func (w *watchdog) run() {
	tick := time.NewTicker(w.every)
	defer tick.Stop()
	for {
		select {
		case <-w.quit:
			return
		case <-tick.C:
			w.feed()
		}
	}
}

func (w *watchdog) feed() {
	var stuck []string
	for _, l := range w.lines {
		if !l.recent(2 * w.every) {
			stuck = append(stuck, l.name)
		}
	}
	if names := strings.Join(stuck, ", "); names != w.stuck {
		w.stuck = names
		if names != "" {
			w.log.Error("a line is stuck; the service manager ends the daemon and starts it again, after any emergency call",
				zap.String("line", names))
		}
	}
	if len(stuck) == 0 || w.emergency.recent(2*w.every) && w.emergency.said.Load() {
		w.notify("WATCHDOG=1")
	}
}

// start asks now and then every period, until quit is closed.
func (p *probe) start(every time.Duration, quit <-chan struct{}) {
	p.began = time.Now()
	go func() {
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			p.said.Store(p.ask())
			p.at.Store(int64(time.Since(p.began)))
			select {
			case <-quit:
				return
			case <-tick.C:
			}
		}
	}()
}

// recent reports whether an answer came within the time given.
func (p *probe) recent(within time.Duration) bool {
	return time.Since(p.began)-time.Duration(p.at.Load()) <= within
}
