package bridge

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// How the loop current is looked at.
const (
	// senseBusy is the pause between readings while the line does something: a controller that needs 100 ms for an
	// answer still gives two within the shortest interruption (250 ms).
	senseBusy = 25 * time.Millisecond
	// senseIdle is the pace on a line at rest. All lines look at the same multiples of it, so that those of one
	// controller share a reading: 100 lines make 5 requests a second.
	senseIdle = 200 * time.Millisecond
	// settleBusy is for how long readings must agree before they count, while the line does something. Contacts bounce
	// for up to 10 ms and current detectors follow within 30 ms (common practice).
	settleBusy = 50 * time.Millisecond
	// settleIdle is the same on a line at rest: longer than the break of a dial pulse, at most 75 ms, so that dialling
	// is not taken for hanging up. There are readings of senseBusy in between.
	settleIdle = 100 * time.Millisecond
	// settleOpen is how long current must flow while the controller says that the loop is open. Mostly it has just
	// closed again, and its word of that comes first; a controller that answers within 100 ms needs two answers for it.
	settleOpen = 250 * time.Millisecond
	// senseLost is for how long the input may be unreadable before what it said last counts no more: a few answers of a
	// slow controller.
	senseLost = 500 * time.Millisecond
)

// currentListener is who hears of the loop current. Its methods return when they have been heard.
type currentListener interface {
	// inputLost: the input cannot be read.
	inputLost()
	// currentRead: it can, and ev is the state, read since the closing of that number.
	currentRead(ev supervision.Event, closing uint64)
}

// currentMonitor watches the loop current of one line in service. It tells Seized when current begins to flow and
// Released when it stops, and the first state that is seen, also after each closing of the loop. Of an input that
// cannot be read it tells nothing but that.
type currentMonitor struct {
	// set once
	sensor   relay.Sensor
	listener currentListener
	open     func() bool // an opening is confirmed and its outcome not posted yet
	epoch    time.Time
	log      *zap.Logger
	ctx      context.Context
	stop     context.CancelFunc
	all      sync.WaitGroup
	wake     chan struct{} // buffer 1: one hint that the pace rose is as good as many

	busy    atomic.Bool   // the line does something
	closing atomic.Uint64 // how often the loop has closed; what was asked for before the last time tells nothing of the line

	// owned by run
	known        uint64      // the closing that state and next are of
	state        relay.Level // told last; LevelUnknown: none
	next         relay.Level // read, but not for long enough; LevelUnknown: none
	since        time.Time   // when the first reading of next was asked for
	failing      time.Time   // since when the input cannot be read; zero: it can
	logged       bool        // that was logged
	reportedLost bool        // for so long that it was told
}

func newCurrentMonitor(s relay.Sensor, tell currentListener, open func() bool, epoch time.Time,
	log *zap.Logger) *currentMonitor {
	n := &currentMonitor{sensor: s, listener: tell, open: open, epoch: epoch, log: log, wake: make(chan struct{}, 1)}
	n.ctx, n.stop = context.WithCancel(context.Background())
	return n
}

func (n *currentMonitor) start() { n.all.Go(n.run) }

func (n *currentMonitor) end() {
	n.stop()
	n.all.Wait()
}

// pace says whether the line does something.
func (n *currentMonitor) pace(busy bool) {
	if n.busy.Swap(busy) == busy || !busy {
		return
	}
	select {
	case n.wake <- struct{}{}:
	default: // it is awake
	}
}

// renew forgets the state, since the loop has closed, and has it read at once. It returns the number of the closing.
func (n *currentMonitor) renew() uint64 {
	number := n.closing.Add(1)
	select {
	case n.wake <- struct{}{}:
	default: // it is awake
	}
	return number
}

func (n *currentMonitor) run() {
	for wait := time.Duration(0); ; wait = n.pause() {
		select {
		case <-n.ctx.Done():
			return
		case <-n.wake:
		case <-time.After(wait):
		}
		closing, asked := n.closing.Load(), time.Now()
		level, err := n.sensor.Sense(n.ctx)
		if n.ctx.Err() != nil {
			return
		}
		if errors.Is(err, relay.ErrNoSense) {
			n.log.Warn("the loop current cannot be watched: the contact has no input for it; set sense: or another verify:",
				zap.Error(err))
			return
		}
		n.begin(closing)
		n.read(asked, level, err)
	}
}

// begin begins anew after a closing.
func (n *currentMonitor) begin(closing uint64) {
	if closing != n.known {
		n.known, n.state, n.next = closing, relay.LevelUnknown, relay.LevelUnknown
	}
}

// read takes a reading that was asked for at that instant. Readings are as far apart as their questions, which at a
// slow controller the next lines' requests may move by a part of an answer.
func (n *currentMonitor) read(asked time.Time, level relay.Level, err error) {
	if !n.readable(asked, level, err) {
		n.next = relay.LevelUnknown
		if !n.reportedLost && time.Since(n.failing) >= senseLost {
			n.reportedLost, n.state = true, relay.LevelUnknown
			n.listener.inputLost()
		}
		return
	}
	switch {
	case level == n.state:
		n.next = relay.LevelUnknown
	case level != n.next:
		n.next, n.since = level, asked
	case asked.Sub(n.since) >= n.settle():
		n.state, n.next = level, relay.LevelUnknown
		kind := supervision.Released
		if level == relay.LevelClosed {
			kind = supervision.Seized
		}
		n.reportedLost = false
		n.listener.currentRead(supervision.Event{Kind: kind}, n.known)
	}
}

// readable reports whether the reading is one. It logs once that the input cannot be read, when that has lasted for
// senseLost (a controller is mostly not connected yet when the line starts), and once that it can again.
func (n *currentMonitor) readable(now time.Time, level relay.Level, err error) bool {
	if err == nil && level == relay.LevelUnknown {
		err = errNoLevel
	}
	switch {
	case err != nil && n.failing.IsZero():
		n.failing = now
	case err != nil && !n.logged && now.Sub(n.failing) >= senseLost:
		n.logged = true
		n.log.Warn("the loop-current input cannot be read; what the line does is not seen until it can", zap.Error(err))
	case err == nil && !n.failing.IsZero():
		if n.logged {
			n.log.Info("the loop-current input can be read again",
				zap.Stringer("after", now.Sub(n.failing).Round(time.Millisecond)))
		}
		n.failing, n.logged = time.Time{}, false
	}
	return err == nil
}

var errNoLevel = errors.New("bridge: the controller gave no level")

// settle is for how long the reading under way must stay.
func (n *currentMonitor) settle() time.Duration {
	switch {
	case n.next == relay.LevelClosed && n.open():
		return settleOpen
	case n.busy.Load():
		return settleBusy
	default:
		return settleIdle
	}
}

// pause is the time to the next reading.
func (n *currentMonitor) pause() time.Duration {
	switch {
	case !n.failing.IsZero():
		return senseIdle // in vain, mostly; and a controller in trouble is left alone
	case n.next != relay.LevelUnknown || n.busy.Load():
		return senseBusy
	default:
		return senseIdle - time.Since(n.epoch)%senseIdle
	}
}
