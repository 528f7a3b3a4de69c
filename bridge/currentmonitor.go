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

// How the loop current is read.
const (
	// senseBusy is the pause between readings while the line is busy. A controller that needs 100 ms for an answer
	// still gives two within the shortest interruption (250 ms).
	senseBusy = 25 * time.Millisecond
	// senseIdle is the interval between readings on an idle line. All lines read at the same multiples of it, so that
	// the lines of one controller share a reading: 100 lines make 5 requests a second.
	senseIdle = 200 * time.Millisecond
	// settleBusy is how long readings must agree before they count, while the line is busy. Contacts bounce for up to
	// 10 ms and current detectors follow within 30 ms (common practice).
	settleBusy = 50 * time.Millisecond
	// settleIdle is the same for an idle line. It is longer than the break of a dial pulse, at most 75 ms, so that
	// dialling is not taken for hanging up. Meanwhile the pause between readings is senseBusy.
	settleIdle = 100 * time.Millisecond
	// settleOpen is how long current must flow while the last confirmation of the controller says that the loop is
	// open. Usually the loop has just closed, and the controller's confirmation comes first. A controller that answers
	// within 100 ms needs two answers for it.
	settleOpen = 250 * time.Millisecond
	// senseLost is how long the input may be unreadable before its last reading no longer counts. It allows a few
	// answers of a slow controller.
	senseLost = 500 * time.Millisecond
)

// currentMonitor watches the loop current of one line in service. It posts Seized when current begins to flow and
// Released when current stops. It posts CurrentUnreadable if the input cannot be read for senseLost. It also posts the
// first state that it reads at the start, after each report that the loop is closed, and after CurrentUnreadable. It
// ends if the contact never had an input. An input that vanishes later counts as unreadable, since it may come back.
type currentMonitor struct {
	// set once
	sensor relay.Sensor
	line   *Line
	open   func() bool // reports whether an opening is confirmed and its outcome is not posted yet
	epoch  time.Time
	log    *zap.Logger
	ctx    context.Context
	stop   context.CancelFunc
	all    sync.WaitGroup
	wake   chan struct{} // buffer 1: one pending wake-up is enough

	busy atomic.Bool // the line is busy

	// owned by run
	closings   uint64                // how often the loop had been reported closed when the last reading was requested
	state      relay.Level           // last posted; LevelUnknown: none since the last closing or CurrentUnreadable
	posted     supervision.EventKind // the last Seized or Released that was not outdated; EventNone: neither yet
	next       relay.Level           // being read, but not for long enough yet; LevelUnknown: none
	since      time.Time             // when the first reading of next was requested
	failing    time.Time             // since when the input has been unreadable; zero: it is readable
	logged     bool                  // the warning that the input cannot be read was logged
	postedLost bool                  // CurrentUnreadable was posted, and no level since
}

func newCurrentMonitor(s relay.Sensor, to *Line, open func() bool, epoch time.Time,
	log *zap.Logger) *currentMonitor {
	n := &currentMonitor{sensor: s, line: to, open: open, epoch: epoch, log: log, wake: make(chan struct{}, 1)}
	n.ctx, n.stop = context.WithCancel(context.Background())
	return n
}

func (n *currentMonitor) start() { n.all.Go(n.run) }

func (n *currentMonitor) end() {
	n.stop()
	n.all.Wait()
}

// pace sets whether the line is busy.
func (n *currentMonitor) pace(busy bool) {
	if !n.busy.Swap(busy) && busy {
		n.awaken()
	}
}

// awaken makes run read the input at once.
func (n *currentMonitor) awaken() {
	select {
	case n.wake <- struct{}{}:
	default: // a wake-up is pending
	}
}

func (n *currentMonitor) run() {
	for wait := time.Duration(0); ; wait = n.pause() {
		select {
		case <-n.ctx.Done():
			return
		case <-n.wake:
		case <-time.After(wait):
		}
		closings, asked := n.line.closings(), time.Now()
		level, err := n.sensor.Sense(n.ctx)
		if n.ctx.Err() != nil {
			return
		}
		if errors.Is(err, relay.ErrNoSense) && n.posted == supervision.EventNone {
			n.log.Warn("the loop current cannot be watched: the contact has no input for it; set sense: or another verify:",
				zap.Error(err))
			return
		}
		n.begin(closings)
		n.read(asked, level, err)
	}
}

// begin discards the readings from before the last closing.
func (n *currentMonitor) begin(closings uint64) {
	if closings != n.closings {
		n.closings, n.state, n.next = closings, relay.LevelUnknown, relay.LevelUnknown
	}
}

// read handles a reading that was requested at asked. The interval between two readings is the interval between their
// requests. With a slow controller, requests of other lines may shift a reading by part of an answer time.
func (n *currentMonitor) read(asked time.Time, level relay.Level, err error) {
	if !n.readable(asked, level, err) {
		n.next = relay.LevelUnknown
		if !n.postedLost && time.Since(n.failing) >= senseLost {
			n.postedLost, n.state = true, relay.LevelUnknown
			n.line.Post(supervision.Event{Kind: supervision.CurrentUnreadable})
		}
		return
	}
	switch {
	case level == n.state:
		n.next = relay.LevelUnknown
	case level != n.next:
		n.next, n.since = level, asked
	case asked.Sub(n.since) >= n.settle():
		n.state, n.next, n.postedLost = level, relay.LevelUnknown, false
		n.post(level)
	}
}

func (n *currentMonitor) post(level relay.Level) {
	ev := supervision.Event{Kind: supervision.Released}
	if level == relay.LevelClosed {
		ev.Kind = supervision.Seized
	}
	if ev.Kind == n.posted {
		ev.Reading = supervision.ReadingRepeated
	}
	if outdated := n.line.postReading(ev, n.closings); !outdated {
		n.posted = ev.Kind
	}
}

// readable reports whether the reading has a level. If the input stays unreadable for senseLost, readable logs that
// once, and logs once when the input is readable again. The delay is there because the controller is usually not
// connected yet when the line starts.
func (n *currentMonitor) readable(now time.Time, level relay.Level, err error) bool {
	if err == nil && level == relay.LevelUnknown {
		err = errNoLevel
	}
	switch {
	case err != nil && n.failing.IsZero():
		n.failing = now
	case err != nil && !n.logged && now.Sub(n.failing) >= senseLost:
		n.logged = true
		n.log.Warn("the loop-current input cannot be read; until it can, seizures and hang-ups on the line are not detected",
			zap.Error(err))
	case err == nil && !n.failing.IsZero():
		if n.logged {
			n.log.Info("the loop-current input can be read again",
				zap.Stringer("after", now.Sub(n.failing).Round(time.Millisecond)))
		}
		n.failing, n.logged = time.Time{}, false
	}
	return err == nil
}

var errNoLevel = errors.New("bridge: the controller returned no level")

// settle returns how long the current reading must last before it counts.
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

// pause returns the time until the next reading.
func (n *currentMonitor) pause() time.Duration {
	switch {
	case !n.failing.IsZero():
		return senseIdle // readings usually fail now, and frequent requests would only burden a controller in trouble
	case n.next != relay.LevelUnknown || n.busy.Load():
		return senseBusy
	default:
		return senseIdle - time.Since(n.epoch)%senseIdle
	}
}
