package daemon

import (
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// Run starts a daemon and runs it until the first of signals. SIGUSR2 hands over to another process
// ([Daemon.HandOver]), any other ends the calls ([Daemon.Shutdown]). A second signal shortens the wait for the contacts
// and ends all other waits. But while a hand-over is still waiting, a signal other than SIGUSR2 turns it into a
// shutdown. Run reports its states to o.Notify, which must not be nil, and feeds the service manager's watchdog. It
// returns the lines whose contact is not known to be closed. An error means that the daemon could not start; see
// [Start].
func Run(c *config.Config, o Options, signals <-chan os.Signal) ([]drivers.NotClosed, error) {
	began := time.Now()
	d, err := Start(c, o)
	if err != nil {
		return nil, err
	}
	for _, s := range config.Unbounded(c) {
		o.Logger.Warn("contact: " + s)
	}
	if o.Watchdog > 0 || d.metrics != nil {
		w := newWatchdog(d, o)
		w.start()
		defer w.end()
		defer d.serveMetrics(c.Metrics.Listen, w.healthy)()
	}
	o.Logger.Info("ready", zap.Int("lines", len(c.Lines)), zap.String("version", o.Version),
		zap.Duration("after", time.Since(began)))
	o.Notify("READY=1")
	defer debug.SetGCPercent(debug.SetGCPercent(gcPercent)) // not before, so that it does not lengthen the start
	s := awaitEnd(d, signals, o.Hangups)
	o.Logger.Info("ending", zap.Stringer("signal", s))
	d.reloads.tellLast("STOPPING=1")
	extend := time.NewTicker(extendEvery)
	defer extend.Stop()
	return end(d, o, s, signals, extend.C), nil
}

// awaitEnd returns the first signal. Until then it reloads the file at each of hangups, beside the wait.
func awaitEnd(d *Daemon, signals, hangups <-chan os.Signal) os.Signal {
	ended := make(chan struct{}) // closed when awaitEnd returns
	defer close(ended)
	go func() { // ends with a reload that is under way
		for {
			select {
			case <-hangups:
				d.reloads.asked.Lock()
				_, _ = d.reloads.reload() // the error is logged
				d.reloads.asked.Unlock()
			case <-ended:
				return
			}
		}
	}()
	return <-signals
}

const (
	// gcPercent is the garbage collector's percentage. With 100 lines that relay media it saves 4 MB of memory in 50,
	// and costs less processor time than can be measured (package figures, TestClearing and TestMemoryOfAll).
	gcPercent = 50
	// extendEvery is how often the service manager is asked for more time while an emergency call is up. Our own
	// number: few emergency calls end sooner.
	extendEvery = 2 * time.Second
	// extendBy is how much time it is asked for. An end has stopTimeout, also if an emergency call has delayed it.
	extendBy = stopTimeout + extendEvery
	// stopTimeout is TimeoutStopSec of deploy/clearback.service.
	stopTimeout = 45 * time.Second
)

// stopper is the part of a daemon that end needs.
type stopper interface {
	Shutdown(hurry context.Context) []drivers.NotClosed
	HandOver(full, hurry context.Context) []drivers.NotClosed
	EmergencyUp() bool
}

// handOver is the signal for a hand-over (RestartKillSignal in deploy/clearback.service).
const handOver = syscall.SIGUSR2

// end ends the daemon as the first signal demands. A second signal shortens the wait for the contacts and ends all
// other waits; see [Run]. Only an emergency call justifies more time than the service manager allows. If the end hangs
// for another reason, the service manager should kill the daemon, so that the lines are served again.
func end(d stopper, o Options, first os.Signal, signals <-chan os.Signal,
	extend <-chan time.Time) []drivers.NotClosed {
	hurry, cancel := context.WithCancel(context.Background())
	defer cancel()
	full, stop := context.WithCancel(context.Background())
	defer stop()
	done := make(chan []drivers.NotClosed, 1) // one result, received below
	if first == handOver {
		go func() { done <- d.HandOver(full, hurry) }()
	} else {
		stop()
		go func() { done <- d.Shutdown(hurry) }()
	}
	for {
		select {
		case s := <-signals:
			if s != handOver && full.Err() == nil {
				o.Logger.Warn("ending the calls too, unless they have already been left to the next process",
					zap.Stringer("signal", s))
				stop()
				continue
			}
			o.Logger.Warn("ending at once", zap.Stringer("signal", s))
			cancel()
		case <-extend:
			if d.EmergencyUp() {
				o.Notify(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", extendBy.Microseconds()))
			}
		case left := <-done:
			return left
		}
	}
}
