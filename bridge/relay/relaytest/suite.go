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

// Do is a kind of misbehaviour of a controller.
type Do uint8

// The faults.
const (
	Refuse       Do = iota // refuses the request and does nothing
	Ignore                 // neither carries out nor answers the request
	Mute                   // carries out the request without an answer
	Hangup                 // ends the connection without carrying out the request
	ActHangup              // carries out the request, and ends the connection without an answer
	Delay                  // waits for Fault.Delay first
	StallRequest           // holds the request until Release, even if the driver has given it up
)

// On selects the requests that a fault applies to.
type On uint8

const (
	Any On = iota
	Opening
	Closing
)

// Fault is one misbehaviour of a controller.
type Fault struct {
	Do Do
	On On
	// Once limits the fault to the next such request. Otherwise it applies to all until Clear.
	Once bool
	// Delay is the delay for Do Delay.
	Delay time.Duration
}

// Change is one movement of a contact.
type Change struct {
	// At is an instant on the controller's own monotonic clock, with an arbitrary zero.
	At   time.Duration
	Open bool
}

// Controller is the other side of a driver. A driver's tests supply it.
type Controller interface {
	Inject(Fault)
	Clear()
	// Cut ends all connections and refuses new ones until Restore.
	Cut()
	Restore()
	// Move moves a line's contact by hand.
	Move(line int, open bool)
	// Changes returns all movements of a line's contact since power-up.
	Changes(line int) []Change
	// Stalled returns the number of requests held by Do StallRequest. Release lets the controller carry them out like
	// requests that arrive at that moment, and returns when it has. A driver that gives a request up does not end the
	// hold.
	Stalled() int
	Release()
}

// Late says what a controller does with an opening that it holds until the driver has given the opening up and has sent
// a close.
type Late uint8

const (
	// LateInOrder means that no close is confirmed until the opening is over, because the controller serves requests in
	// order or the driver waits for the earlier one.
	LateInOrder Late = iota
	// LateRefused means that the close is confirmed, and that the opening is refused from then on.
	LateRefused
	// LateObeyed means that the opening is made after the close. It is only for controllers that cannot prevent that.
	// The driver then closes the contact.
	LateObeyed
)

// Subject is a driver under test with two lines on one controller.
type Subject struct {
	Controller Controller
	Contacts   [2]relay.Contact
	// Start connects. Ready waits until the contacts have been closed.
	Start func()
	Ready func(context.Context) error
	// Shutdown returns the names of the lines that are not known to be closed: "box-office", "stage-door".
	Shutdown func(context.Context) []string
	// Timeout is the time-out of one request.
	Timeout time.Duration
	// Quantum is the unit to which the controller rounds intervals up; 0 means that it does not round.
	Quantum time.Duration
	// Slack is added to the 150 ms by which an opening may end late. It is for a busy machine on which each command
	// starts a program.
	Slack time.Duration
	// Outlasts means that the controller ends its openings itself, and that an opening continues if its connection is
	// lost.
	Outlasts bool
	// Says is part of the reason that the controller gives when it refuses. This text must reach people.
	Says string
	// Tries means that the command that opens can be tried, by a command that does not open.
	Tries bool
	// NeverRefuses means that the controller has no way to refuse. It can only fail to obey.
	NeverRefuses bool
	// Late says what the controller does with an opening that it held too long.
	Late Late
	// Peer, if not nil, makes a request without effect to the other side and returns with the answer. The suite adds
	// the duration of such requests to its bounds.
	Peer func()

	virtual bool // on virtual time, where nothing is late
}

// Setup is a case's request to a factory.
type Setup struct {
	// Open means that both contacts are open before the driver starts.
	Open bool
	// Timeout, if not 0, is the time-out for the driver's requests in a case in which each request is answered, refused
	// or ended with its connection. It is so long that a busy machine does not reach it. Subject.Timeout does not
	// depend on it.
	Timeout time.Duration
	// Notify receives the notices.
	Notify func(relay.Notice)
}

// Factory makes a subject that is not started. It cleans up with t.Cleanup. A second Shutdown must not fail the test.
type Factory func(t *testing.T, s Setup) *Subject

// Line names of the subjects.
const (
	LineA = "box-office"
	LineB = "stage-door"
)

// SetShutdown sets s.Shutdown to the driver's shutdown, where name returns the line of what is not known to be closed.
// It also shuts the driver down at the end of the test, within limit.
func SetShutdown[N any](t *testing.T, s *Subject, limit time.Duration, shutdown func(context.Context) []N,
	name func(N) string) {
	s.Shutdown = func(ctx context.Context) (names []string) {
		for _, n := range shutdown(ctx) {
			names = append(names, name(n))
		}
		return names
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		defer cancel()
		shutdown(ctx)
	})
}

// testTimeout bounds every wait of the suite. No result depends on it; it only ends a wait that would never end.
const testTimeout = 20 * time.Second

// answeredTimeout is the longest time-out that drivers allow.
const answeredTimeout = 10 * time.Second

// testBed is a subject with its notices.
type testBed struct {
	*Subject
	t         *testing.T
	notices   chan relay.Notice // buffer 1000: notices must not block, and a case sees far fewer
	unread    []relay.Notice    // notices that arrived during a wait for another kind
	seq       uint32
	peer      *latenessGauge // nil if the other side is not measured
	begun     []mark         // one mark for each command
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

// started returns a connected test bed.
func started(t *testing.T, f Factory) *testBed { return startedWith(t, f, Setup{}) }

// answered returns a connected test bed for a case in which no request waits for its time-out.
func answered(t *testing.T, f Factory) *testBed {
	return startedWith(t, f, Setup{Timeout: answeredTimeout})
}

func startedWith(t *testing.T, f Factory, s Setup) *testBed {
	r := newTestBed(t, f, s)
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

// length is a short interval that the controller supports.
func (r *testBed) length() time.Duration { return max(40*time.Millisecond, 2*r.Quantum) }

func (r *testBed) command(d time.Duration) relay.Interruption {
	r.seq++
	r.begun = append(r.begun, r.mark())
	return relay.Interruption{Seq: r.seq, Duration: d, NotAfter: time.Now().Add(testTimeout)}
}

// interrupt makes an interruption of line A.
func (r *testBed) interrupt(d time.Duration) relay.Result {
	return r.Contacts[0].Interrupt(r.ctx(testTimeout), r.command(d))
}

// background starts an interruption. It returns a channel that is closed when Opened is called, and a channel for the
// result.
func (r *testBed) background(ctx context.Context, line int, i relay.Interruption) (<-chan struct{},
	<-chan relay.Result) {
	opened := make(chan struct{})
	result := make(chan relay.Result, 1) // the case may have failed by then
	i.Opened = func(time.Time) { close(opened) }
	go func() { result <- r.Contacts[line].Interrupt(ctx, i) }()
	return opened, result
}

// open begins an interruption, waits until it has opened, and returns its result channel. If the opening was certainly
// not made because the machine was late, as the gauges show, open begins another one.
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

// until polls for a condition on the controller, whose movements cause no event.
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

// awaitLinkLoss waits until the first line has noticed that there is no connection. If each line has its own
// connection, another line may notice earlier.
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

// reader returns line A's contact if it can be read back, otherwise nil.
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

// needsRefusal skips a case that needs a controller that can refuse.
func (r *testBed) needsRefusal() {
	r.t.Helper()
	if r.NeverRefuses {
		r.t.Skip("this controller cannot refuse")
	}
}

// isOpen reports whether a line's contact is open.
func (r *testBed) isOpen(line int) bool {
	c := r.Controller.Changes(line)
	return len(c) > 0 && c[len(c)-1].Open
}

// openings returns how long each opening of a line lasted. An opening that still lasts is -1.
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

// lateness is the time by which the latest openings may end late. They belong to one command, or to two that run at the
// same time.
func (r *testBed) lateness() time.Duration {
	var from mark
	if n := len(r.begun); n > 0 {
		from = r.begun[max(0, n-2)]
	}
	return 150*time.Millisecond + r.Slack + r.late(from)
}

// wantOpenings checks the number and the lengths of the openings.
func (r *testBed) wantOpenings(line int, want ...time.Duration) {
	r.t.Helper()
	got := r.openings(line)
	ok := len(got) == len(want)
	for i := range min(len(got), len(want)) {
		// An opening may be short by at most 0.5 ms.
		ok = ok && got[i] >= want[i]-500*time.Microsecond && got[i] < want[i]+r.lateness()
	}
	if !ok {
		r.t.Fatalf("line %d was open for %v, want %v", line, got, want)
	}
}

// notice waits for a notice of the given kind about line A or about the controller of both lines. Other kinds may
// arrive before it.
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

// works checks, at the end of a case, that an ordinary interruption works. An interruption whose outcome was unknown
// may have opened too.
func (r *testBed) works() {
	r.t.Helper()
	before, unknown := len(r.openings(0)), 0
	var res relay.Result
	r.until("an interruption works again", func() bool {
		if res = r.interrupt(r.length()); res.Outcome == relay.Unknown {
			if r.late(r.startMark) < r.Timeout/2 { // an earlier delay may still have an effect
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

// atOnce is the number of cases that run at the same time. Most of them wait, so the number does not depend on the
// number of processors.
const atOnce = 16

// Run runs the conformance suite, with a separate subject for each case. Cases run at the same time.
func Run(t *testing.T, f Factory) {
	defer watchMachine()()
	run(t, func(t *testing.T, c testCase) { c.run(t, f) })
}

// RunVirtual is Run on virtual time (testing/synctest), for a controller in memory without sockets, processes and
// kernel calls.
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
