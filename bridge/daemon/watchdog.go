package daemon

import (
	"slices"
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
	current   func() []*Line
	emergency *probe
	notify    func(state string)
	log       *zap.Logger
	quit      chan struct{} // closed by end
	fed       sync.WaitGroup
	alarm     string // logged when a line is stuck
	began     time.Time
	last      atomic.Int64 // when it was last fed, after began

	// owned by run
	lines map[*Line]*probe
	stuck string // the lines that did not run at the last tick
}

// probe asks a question again and again, in a goroutine of its own, since the answer may never come.
type probe struct {
	ask   func() bool
	quit  chan struct{} // closed when nobody needs the answers any more; nil: never
	began time.Time
	at    atomic.Int64 // when the last answer came, after began
	said  atomic.Bool  // the last answer
}

func newWatchdog(d *Daemon, o Options) *watchdog {
	w := &watchdog{every: o.Watchdog, began: time.Now(), emergency: &probe{ask: d.EmergencyUp}, notify: o.Notify,
		log: o.Logger, quit: make(chan struct{}), current: d.all, lines: map[*Line]*probe{},
		alarm: "a line is stuck; the service manager ends the daemon and starts it again, after any emergency call"}
	if o.Watchdog <= 0 { // only [watchdog.healthy] is asked for
		w.every, w.notify = healthEvery, func(string) {}
		w.alarm = "a line is stuck; restart the daemon, after any emergency call"
	}
	return w
}

// healthEvery is the period if the service manager has no watchdog. It is a quarter of WatchdogSec= in
// deploy/clearback.service.
const healthEvery = 2500 * time.Millisecond

// healthy reports whether the service manager's watchdog was, or would have been, fed of late. It does not block.
func (w *watchdog) healthy() bool {
	return time.Since(w.began)-time.Duration(w.last.Load()) <= 2*w.every
}

func (w *watchdog) start() {
	w.emergency.start(w.every, w.quit)
	w.follow()
	w.fed.Go(w.run)
}

// follow begins to ask lines that a reload has added, and forgets those that it has removed.
func (w *watchdog) follow() {
	current := w.current()
	for l, p := range w.lines {
		if !slices.Contains(current, l) {
			close(p.quit)
			delete(w.lines, l)
		}
	}
	for _, l := range current {
		if w.lines[l] == nil {
			p := &probe{ask: func() bool {
				l.line.Ping()
				return true
			}, quit: make(chan struct{})}
			w.lines[l] = p
			p.start(w.every, w.quit)
		}
	}
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
	w.follow()
	var stuck []string
	for l, p := range w.lines {
		if !p.recent(2 * w.every) {
			stuck = append(stuck, l.name)
		}
	}
	slices.Sort(stuck)
	if names := strings.Join(stuck, ", "); names != w.stuck {
		w.stuck = names
		if names != "" {
			w.log.Error(w.alarm, zap.String("line", names))
		}
	}
	if len(stuck) == 0 || w.emergency.recent(2*w.every) && w.emergency.said.Load() {
		w.last.Store(int64(time.Since(w.began)))
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
			case <-p.quit:
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
