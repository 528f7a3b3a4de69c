package relaytest

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"clearback/bridge/relay"
)

// faultCases are the cases in which the controller or the link fails.
var faultCases = []testCase{
	{"the controller refuses to open", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.needsRefusal()
		r.Controller.Inject(Fault{Do: Refuse, On: Opening, Once: true})
		res := r.interrupt(r.length())
		r.want(res, relay.Refused, relay.ErrRefused)
		if s := relay.Reason(res.Err); !strings.Contains(s, r.Says) {
			t.Fatalf("the reason is %q; want %q in it", s, r.Says)
		}
		r.wantStill(0)
		r.want(r.interrupt(r.length()), relay.Done, nil) // immediate, since the connection was kept
	}},
	{"to try the command that opens opens nothing", func(t *testing.T, f Factory) {
		r := answered(t, f)
		c, ok := r.Contacts[0].(relay.Trier)
		if !ok {
			t.Log("this contact cannot be tried")
			return
		}
		if err := c.Try(r.ctx(testTimeout)); err != nil && (r.Tries || !errors.Is(err, relay.ErrCannotTry)) {
			t.Fatal(err)
		}
		if r.Tries {
			r.Controller.Inject(Fault{Do: Refuse, On: Any})
			if s := relay.Reason(c.Try(r.ctx(testTimeout))); s == "" || !strings.Contains(s, r.Says) {
				t.Fatalf("the reason is %q; want %q in it", s, r.Says)
			}
			r.Controller.Clear()
		}
		r.wantStill(0)
		r.works()
	}},
	{"an opening is neither done nor answered", func(t *testing.T, f Factory) { noAnswer(t, f, Ignore) }},
	{"an opening is done and not answered", func(t *testing.T, f Factory) { noAnswer(t, f, Mute) }},
	{"the connection ends instead of an opening", func(t *testing.T, f Factory) { noAnswer(t, f, Hangup) }},
	{"the connection ends after an opening", func(t *testing.T, f Factory) { noAnswer(t, f, ActHangup) }},
	{"a close is not answered", func(t *testing.T, f Factory) { badClose(t, f, Mute) }},
	{"a close is neither done nor answered", func(t *testing.T, f Factory) { badClose(t, f, Ignore) }},
	{"the connection ends instead of a close", func(t *testing.T, f Factory) { badClose(t, f, Hangup) }},
	{"the connection ends after a close", func(t *testing.T, f Factory) { badClose(t, f, ActHangup) }},
	{"the controller refuses to close", func(t *testing.T, f Factory) { badClose(t, f, Refuse) }},
	{"a failing close is an alarm at once, and its end is told", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.needsRefusal()
		r.Controller.Inject(Fault{Do: Refuse, On: Closing})
		begin, from := time.Now(), r.mark()
		err := r.Contacts[0].Close(r.ctx(300 * time.Millisecond))
		if err == nil || !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("close while the controller refuses it: %v", err)
		}
		if n := r.notice(relay.CloseFailing); n.Contact != LineA || n.Err == nil ||
			n.Since.Sub(begin) > 200*time.Millisecond+r.late(from) {
			t.Fatalf("%+v", n)
		}
		// refused while the contact is not known to be closed
		r.want(r.interrupt(r.length()), relay.Refused, relay.ErrRefused)
		r.wantStill(0)
		r.Controller.Clear()
		if n := r.notice(relay.CloseConfirmed); n.Contact != LineA {
			t.Fatalf("%+v", n)
		}
		r.works()
	}},
	{"the link is cut while open", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		r.Controller.Cut()
		r.want(get(r, "result", result), relay.Unknown, relay.ErrNoAnswer)
		r.notice(relay.LinkLost)
		r.Controller.Restore()
		restored, from := time.Now(), r.mark()
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		if d, most := time.Since(restored), 500*time.Millisecond+r.late(from); d > most || r.isOpen(0) {
			t.Fatalf("closed %v after the link was back; allowed are %v", d, most)
		}
		r.notice(relay.LinkBack)
		r.works()
	}},
	{"nothing is kept for a controller that cannot be reached", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.Controller.Cut()
		r.awaitLinkLoss()
		r.want(r.interrupt(r.length()), relay.Refused, relay.ErrUnreachable)
		r.Controller.Restore()
		r.notice(relay.LinkBack)
		r.wantStill(0)
		r.works()
	}},
	{"a close waits for the controller", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.Controller.Cut()
		r.awaitLinkLoss()
		if err := r.Contacts[0].Close(r.ctx(20 * time.Millisecond)); !errors.Is(err, relay.ErrUnreachable) ||
			!errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("close without a link: %v", err)
		}
		r.notice(relay.CloseFailing)
		closed := make(chan error, 1) // the case may have failed by then
		go func() { closed <- r.Contacts[0].Close(r.ctx(testTimeout)) }()
		r.Controller.Restore()
		if err := get(r, "close", closed); err != nil {
			t.Fatal(err)
		}
		r.notice(relay.CloseConfirmed)
		r.works()
	}},
	{"a controller that is not there at the start", func(t *testing.T, f Factory) {
		r := newTestBed(t, f, Setup{Open: true})
		r.Controller.Cut()
		r.Start()
		r.notice(relay.LinkLost)
		r.notice(relay.CloseFailing)
		i := r.command(r.length())
		i.NotAfter = time.Now().Add(50 * time.Millisecond) // until then it waits for the first connection
		r.want(r.Contacts[0].Interrupt(r.ctx(testTimeout), i), relay.Refused, relay.ErrUnreachable)
		r.Controller.Restore()
		r.notice(relay.CloseConfirmed)
		r.ready()
		r.until("both are closed", func() bool { return !r.isOpen(0) && !r.isOpen(1) })
		r.works()
	}},
	{"a contact that somebody moves is closed again", func(t *testing.T, f Factory) {
		r := answered(t, f)
		reads := r.reader() != nil
		r.Controller.Move(0, true)
		if !reads { // the driver cannot see the movement, but closes the contact from time to time
			r.until("it is closed", func() bool { return !r.isOpen(0) })
			r.works()
			return
		}
		if n := r.notice(relay.FoundOpen); n.Contact != LineA {
			t.Fatalf("%+v", n)
		}
		r.until("it is closed", func() bool { return !r.isOpen(0) })
		r.works()
	}},
	{"the same command after a lost link has no second effect", func(t *testing.T, f Factory) {
		r := answered(t, f)
		i := r.command(r.length())
		first := r.Contacts[0].Interrupt(r.ctx(testTimeout), i)
		r.want(first, relay.Done, nil)
		r.Controller.Cut()
		r.notice(relay.LinkLost)
		r.Controller.Restore()
		r.notice(relay.LinkBack)
		if again := r.Contacts[0].Interrupt(r.ctx(testTimeout), i); again != first {
			t.Fatalf("%+v, then %+v", first, again)
		}
		r.wantOpenings(0, r.length())
		r.works()
	}},
	{"a controller's own timer ends an opening whose master is cut off", func(t *testing.T, f Factory) {
		r := answered(t, f)
		if r.Contacts[0].Kind() != relay.KindOneshot {
			t.Log("this contact has no timer of its own")
			return
		}
		result := r.open(context.Background(), 0, 5*r.length())
		r.Controller.Cut()
		r.until("it has ended", func() bool { return !r.isOpen(0) })
		if o := r.openings(0); len(o) != 1 || o[0] > 5*r.length()+r.lateness() {
			t.Fatalf("open for %v, asked were %v", o, 5*r.length())
		}
		r.Controller.Restore()
		get(r, "result", result)
		r.works()
	}},
	{"an opening that its controller ends goes on when its connection is lost", func(t *testing.T, f Factory) {
		r := answered(t, f)
		if !r.Outlasts {
			t.Log("a lost connection ends the openings of this contact")
			return
		}
		const long = 600 * time.Millisecond
		result, from := r.open(context.Background(), 0, long), r.mark()
		for { // another line's reading may meet the fault first
			r.Controller.Inject(Fault{Do: Hangup, On: Any, Once: true})
			if _, err := r.Contacts[0].(relay.Reader).Read(r.ctx(testTimeout)); err != nil {
				break
			}
		}
		res := get(r, "result", result)
		if res.Outcome != relay.Done && r.late(from) > 20*time.Millisecond {
			t.Logf("things were late by %v, so it was not read back in time: %v", r.late(from), res.Err)
			return
		}
		r.want(res, relay.Done, nil)
		r.wantOpenings(0, long)
		r.works()
	}},
	{"a slow controller with two lines", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.Controller.Inject(Fault{Do: Delay, On: Any, Delay: 10 * time.Millisecond})
		_, ra := r.background(context.Background(), 0, r.command(2*r.length()))
		_, rb := r.background(context.Background(), 1, r.command(2*r.length()))
		r.want(get(r, "result", ra), relay.Done, nil)
		r.want(get(r, "result", rb), relay.Done, nil)
		r.wantOpenings(0, 2*r.length())
		r.wantOpenings(1, 2*r.length())
	}},
	{"trouble on one line opens no other", func(t *testing.T, f Factory) {
		r := started(t, f)
		for range 3 {
			r.Controller.Inject(Fault{Do: Mute, On: Opening, Once: true})
			var res relay.Result
			r.until("connected again",
				func() bool { res = r.interrupt(r.length()); return res.Outcome != relay.Refused })
			r.want(res, relay.Unknown, relay.ErrNoAnswer)
			if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
				t.Fatal(err)
			}
		}
		r.wantStill(1)
		r.works()
	}},
}

// startedFor returns a connected test bed for a case with that fault. The driver waits for its time-out only after
// Ignore and Mute.
func startedFor(t *testing.T, f Factory, do Do) *testBed {
	if do == Ignore || do == Mute {
		return started(t, f)
	}
	return answered(t, f)
}

// noAnswer is an opening that is never answered. The outcome is Unknown, and the driver closes the contact without
// being asked.
func noAnswer(t *testing.T, f Factory, do Do) {
	r := startedFor(t, f, do)
	r.Controller.Inject(Fault{Do: do, On: Opening, Once: true})
	begin, from := time.Now(), r.mark()
	r.want(r.interrupt(r.long()), relay.Unknown, relay.ErrNoAnswer)
	if d := time.Since(begin); d > r.Timeout+200*time.Millisecond+r.late(from) {
		t.Fatalf("returned after %v, with a time-out of %v", d, r.Timeout)
	}
	if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
		t.Fatal(err)
	}
	if r.isOpen(0) {
		t.Fatal("the close was confirmed, but the contact is open")
	}
	if o, most := r.openings(0), r.early(from); len(o) > 1 || len(o) == 1 && o[0] > most {
		t.Fatalf("open for %v; allowed are %v", o, most)
	}
	r.works()
}

// badClose is an opening whose close fails once. The driver must repeat the close.
func badClose(t *testing.T, f Factory, do Do) {
	r := startedFor(t, f, do)
	result := r.open(context.Background(), 0, r.long())
	from := r.mark()
	r.Controller.Inject(Fault{Do: do, On: Closing, Once: true})
	if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
		t.Fatal(err)
	}
	if r.isOpen(0) {
		t.Fatal("the close was confirmed, but the contact is open")
	}
	get(r, "result", result)
	o := r.openings(0)
	if most := r.early(from); len(o) != 1 || o[0] < 0 || o[0] > most {
		t.Fatalf("open for %v; allowed are %v", o, most)
	}
	r.works()
}
