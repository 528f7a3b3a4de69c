package relaytest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
)

// Do is what a controller does wrong.
type Do uint8

// The faults.
const (
	Refuse       Do = iota // says no, and does nothing
	Ignore                 // does nothing, and says nothing
	Mute                   // does it, and says nothing
	Hangup                 // does nothing, and ends the connection
	ActHangup              // does it, and ends the connection without an answer
	Delay                  // waits for Fault.Delay first
	StallRequest           // keeps it until Release, however long its master has given it up by then
)

// On selects requests.
type On uint8

// The requests that a fault meets.
const (
	Any On = iota
	Opening
	Closing
)

// Fault is one misbehaviour of a controller.
type Fault struct {
	Do Do
	On On
	// Once: only the next such request; else all until Clear.
	Once bool
	// Delay of Do Delay.
	Delay time.Duration
}

// Change is one movement of a contact.
type Change struct {
	// At is the instant on the controller's own clock, monotonic, from any zero.
	At   time.Duration
	Open bool
}

// Controller is the other side of a driver, as a driver's tests supply it.
type Controller interface {
	Inject(Fault)
	Clear()
	// Cut ends all connections and refuses new ones until Restore.
	Cut()
	Restore()
	// Move moves the contact of a line by hand.
	Move(line int, open bool)
	// Changes returns all movements of the contact of a line since power-up.
	Changes(line int) []Change
	// Stalled tells how many requests are kept by Do StallRequest. Release lets the controller carry them out as it
	// would carry out any request that reaches it now, and returns when it has. A master who gives a request up does
	// not end the keeping.
	Stalled() int
	Release()
}

// Late is what a controller does with an opening that it kept until its master had given it up and wanted the contact
// closed.
type Late uint8

// The ways.
const (
	// LateInOrder: it serves one request after the other, or the driver waits for the one before: no close is confirmed
	// until the opening is over.
	LateInOrder Late = iota
	// LateRefused: the close is confirmed, and from then on the opening is refused.
	LateRefused
	// LateObeyed: the opening is made after all. Only for what promises nothing else; the driver then closes it.
	LateObeyed
)

// Subject is a driver with two lines on one controller.
type Subject struct {
	Controller Controller
	Contacts   [2]relay.Contact
	// Start connects. Ready waits until the contacts have been put to closed.
	Start func()
	Ready func(context.Context) error
	// Shutdown returns the names of the lines not known to be closed: "box-office", "stage-door".
	Shutdown func(context.Context) []string
	// Timeout is that of one request.
	Timeout time.Duration
	// Quantum is what the controller rounds intervals up to; 0: it does not.
	Quantum time.Duration
	// Slack is by how much more than 150 ms an opening may be late to end on a busy machine, where each command costs
	// the start of a program.
	Slack time.Duration
	// Outlasts: the controller ends its openings by itself, and one goes on when its connection is lost.
	Outlasts bool
	// Says is part of the reason that the controller gives when it refuses; what it says has to reach people.
	Says string
	// Tries: the command that opens can be tried without opening, by a command of its own.
	Tries bool
	// NeverRefuses: the controller cannot say no. Not to obey is all that it can do.
	NeverRefuses bool
	// Late is what it does with an opening that it kept too long.
	Late Late
	// Peer, if not nil, asks the other side for nothing and returns with its answer. How long that takes is allowed for
	// where times are judged.
	Peer func()

	virtual bool // on virtual time: nothing is ever late
}

// Setup is what a case wants from a factory.
type Setup struct {
	// Open: both contacts are open before the driver starts.
	Open bool
	// Notify receives notices.
	Notify func(relay.Notice)
}

// Factory makes a subject, not started. It cleans up with t.Cleanup and never fails a shutdown that has been done
// already.
type Factory func(t *testing.T, s Setup) *Subject

// Line names of the subjects.
const (
	LineA = "box-office"
	LineB = "stage-door"
)

// testTimeout bounds every wait of the suite. Nothing is judged by it: it ends what would wait for ever.
const testTimeout = 20 * time.Second

// testBed is a started subject with what it said.
type testBed struct {
	*Subject
	t         *testing.T
	notices   chan relay.Notice // buffer 1000: notices must not block, and a case sees far fewer
	unread    []relay.Notice    // came while another kind was waited for
	seq       uint32
	peer      *latenessGauge // nil: the other side is not asked
	begun     []mark         // at each command
	startMark mark
}

func newTestBed(t *testing.T, f Factory, s Setup) *testBed {
	r := &testBed{t: t, notices: make(chan relay.Notice, 1000)}
	s.Notify = func(n relay.Notice) { r.notices <- n }
	r.Subject = f(t, s)
	if r.Peer != nil {
		r.peer = peerGauge(r.Peer)
		t.Cleanup(r.peer.end)
	}
	r.startMark = r.mark()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("movements: %s %v, %s %v", LineA, r.Controller.Changes(0), LineB, r.Controller.Changes(1))
		}
	})
	return r
}

// started returns a rig that is connected.
func started(t *testing.T, f Factory) *testBed {
	r := newTestBed(t, f, Setup{})
	r.Start()
	r.ready()
	return r
}

func (r *testBed) ctx(d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	r.t.Cleanup(cancel)
	return ctx
}

func (r *testBed) ready() {
	r.t.Helper()
	if err := r.Ready(r.ctx(testTimeout)); err != nil {
		r.t.Fatalf("not ready: %v", err)
	}
}

// length is a short interval that the controller can do.
func (r *testBed) length() time.Duration { return max(40*time.Millisecond, 2*r.Quantum) }

func (r *testBed) command(d time.Duration) relay.Interruption {
	r.seq++
	r.begun = append(r.begun, r.mark())
	return relay.Interruption{Seq: r.seq, Duration: d, NotAfter: time.Now().Add(testTimeout)}
}

// interrupt runs an interruption of line A.
func (r *testBed) interrupt(d time.Duration) relay.Result {
	return r.Contacts[0].Interrupt(r.ctx(testTimeout), r.command(d))
}

// background runs one, and gives a channel that is closed when it was told open, and one with the result.
func (r *testBed) background(ctx context.Context, line int, i relay.Interruption) (<-chan struct{},
	<-chan relay.Result) {
	opened := make(chan struct{})
	result := make(chan relay.Result, 1) // the case may have failed before it looks
	i.Opened = func(time.Time) { close(opened) }
	go func() { result <- r.Contacts[line].Interrupt(ctx, i) }()
	return opened, result
}

// open begins an interruption that is to be seen open, and returns its result. One that was certainly not made because
// things were late is made again; late is what the gauges say.
func (r *testBed) open(ctx context.Context, line int, d time.Duration) <-chan relay.Result {
	r.t.Helper()
	for end := time.Now().Add(testTimeout); ; {
		opened, result := r.background(ctx, line, r.command(d))
		select {
		case <-opened:
			return result
		case res := <-result:
			if res.Outcome != relay.Refused || r.late(r.startMark) < r.Timeout/2 || time.Now().After(end) {
				r.t.Fatalf("not opened: outcome %d, %v; things were late by %v", res.Outcome, res.Err,
					r.late(r.startMark))
			}
		case <-time.After(testTimeout):
			r.t.Fatalf("no opening within %v", testTimeout)
		}
	}
}

func get[T any](r *testBed, what string, ch <-chan T) T {
	r.t.Helper()
	t := time.NewTimer(testTimeout)
	defer t.Stop()
	select {
	case v := <-ch:
		return v
	case <-t.C:
		r.t.Fatalf("no %s within %v", what, testTimeout)
	}
	var none T
	return none // not reached
}

// until polls for a condition on the controller, whose movements come without an event to wait for.
func (r *testBed) until(what string, cond func() bool) {
	r.t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(testTimeout); !cond(); <-tick.C {
		if time.Now().After(end) {
			r.t.Fatalf("not within %v: %s", testTimeout, what)
		}
	}
}

// awaitLinkLoss waits until the first line knows that there is no connection any more. Where each line has its own,
// another may know it earlier.
func (r *testBed) awaitLinkLoss() {
	r.t.Helper()
	r.notice(relay.LinkLost)
	if c, ok := r.Contacts[0].(relay.Reader); ok {
		r.until("the line has no connection", func() bool {
			_, err := c.Read(r.ctx(testTimeout))
			return errors.Is(err, relay.ErrUnreachable) || errors.Is(err, relay.ErrNoRead)
		})
	}
}

// reader returns line A's contact if it can be read back, else nil.
func (r *testBed) reader() relay.Reader {
	r.t.Helper()
	c, ok := r.Contacts[0].(relay.Reader)
	if !ok {
		return nil
	}
	if _, err := c.Read(r.ctx(testTimeout)); errors.Is(err, relay.ErrNoRead) {
		return nil
	} else if err != nil {
		r.t.Fatalf("reading: %v", err)
	}
	return c
}

// needsRefusal skips a case that is about a controller that says no.
func (r *testBed) needsRefusal() {
	r.t.Helper()
	if r.NeverRefuses {
		r.t.Skip("this controller cannot say no")
	}
}

// isOpen tells where the contact of a line is.
func (r *testBed) isOpen(line int) bool {
	c := r.Controller.Changes(line)
	return len(c) > 0 && c[len(c)-1].Open
}

// openings returns how long each opening of a line lasted; a last one that still lasts counts as -1.
func (r *testBed) openings(line int) []time.Duration {
	var all []time.Duration
	var from time.Duration
	for _, c := range r.Controller.Changes(line) {
		switch n := len(all); {
		case c.Open:
			from, all = c.At, append(all, -1)
		case n > 0 && all[n-1] == -1:
			all[n-1] = c.At - from
		}
	}
	return all
}

func (r *testBed) want(res relay.Result, outcome relay.Outcome, err error) {
	r.t.Helper()
	if res.Outcome != outcome || (err == nil) != (res.Err == nil) || !errors.Is(res.Err, err) {
		r.t.Fatalf("outcome %d, %v; want %d, %v", res.Outcome, res.Err, outcome, err)
	}
}

func (r *testBed) wantStill(line int) {
	r.t.Helper()
	if o := r.openings(line); len(o) != 0 {
		r.t.Fatalf("line %d opened: %v", line, o)
	}
}

// lateness is by how much the latest openings may be late to end: they are of one command, or of two at the same time.
func (r *testBed) lateness() time.Duration {
	var from mark
	if n := len(r.begun); n > 0 {
		from = r.begun[max(0, n-2)]
	}
	return 150*time.Millisecond + r.Slack + r.late(from)
}

// wantOpenings checks number and lengths.
func (r *testBed) wantOpenings(line int, want ...time.Duration) {
	r.t.Helper()
	got := r.openings(line)
	ok := len(got) == len(want)
	for i := range min(len(got), len(want)) {
		// Not short by more than 0.5 ms.
		ok = ok && got[i] >= want[i]-500*time.Microsecond && got[i] < want[i]+r.lateness()
	}
	if !ok {
		r.t.Fatalf("line %d was open for %v, want %v", line, got, want)
	}
}

// notice waits for a notice of that kind about line A or about the controller of both; kinds may come in any order.
func (r *testBed) notice(k relay.NoticeKind) relay.Notice {
	r.t.Helper()
	for {
		if i := slices.IndexFunc(r.unread, func(n relay.Notice) bool {
			return n.Kind == k &&
				n.Contact != LineB
		}); i >= 0 {
			n := r.unread[i]
			r.unread = slices.Delete(r.unread, i, i+1)
			return n
		}
		r.unread = append(r.unread, get(r, "notice "+k.String(), r.notices))
	}
}

// works ends many cases: after the trouble an ordinary interruption must work. One whose outcome was unknown may have
// opened too.
func (r *testBed) works() {
	r.t.Helper()
	before, unknown := len(r.openings(0)), 0
	var res relay.Result
	r.until("an interruption works again", func() bool {
		if res = r.interrupt(r.length()); res.Outcome == relay.Unknown {
			if r.late(r.startMark) < r.Timeout/2 { // what was late before may come out now
				r.t.Fatalf("an ordinary interruption of %v afterwards: %v, and nothing was late", r.length(), res.Err)
			}
			unknown++
		}
		return res.Outcome == relay.Done
	})
	r.until("and ends", func() bool { o := r.openings(0); return len(o) > before && o[len(o)-1] > 0 })
	o := r.openings(0)
	if n := len(o) - before; n < 1 || n > 1+unknown || o[len(o)-1] < r.length()-500*time.Microsecond {
		r.t.Fatalf("an ordinary interruption of %v afterwards gave %v", r.length(), o[before:])
	}
}

// atOnce is how many cases run at the same time. They mostly wait, so this is not bound to the number of processors.
const atOnce = 16

// Run runs the conformance suite, each case on a subject of its own, side by side.
func Run(t *testing.T, f Factory) {
	defer watchMachine()()
	run(t, func(t *testing.T, c testCase) { c.run(t, f) })
}

// RunVirtual is Run on virtual time (testing/synctest), for a controller in memory: there is no socket, no process and
// no kernel in it.
func RunVirtual(t *testing.T, f Factory) {
	virtual := func(t *testing.T, s Setup) *Subject {
		sub := f(t, s)
		sub.virtual = true
		return sub
	}
	run(t, func(t *testing.T, c testCase) { synctest.Test(t, func(t *testing.T) { c.run(t, virtual) }) })
}

func run(t *testing.T, one func(*testing.T, testCase)) {
	room := make(chan struct{}, atOnce) // a counting semaphore
	var running sync.WaitGroup
	for _, c := range slices.Concat(plainCases, faultCases, lateCases, endCases) {
		running.Go(func() {
			room <- struct{}{}
			defer func() { <-room }()
			t.Run(c.name, func(t *testing.T) { one(t, c) })
		})
	}
	running.Wait()
}

type testCase struct {
	name string
	run  func(*testing.T, Factory)
}
