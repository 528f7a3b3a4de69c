package relaytest

import (
	"context"
	"testing"
	"time"

	"clearback/bridge/relay"
)

// lateCases are the cases in which the controller still holds a command that the driver gave up. No delay makes them
// fail: the controller holds the command until Release.
var lateCases = []testCase{
	{"a controller slower than the time-out leaves nothing open", func(t *testing.T, f Factory) {
		r := started(t, f)
		r.stall(5 * r.length())
		closed := make(chan error, 1) // the case may have failed by then
		go func() { closed <- r.Contacts[0].Close(r.ctx(testTimeout)) }()
		if r.Late == LateInOrder {
			select {
			case err := <-closed:
				t.Fatalf("the close returned %v while the controller still had the opening", err)
			case <-time.After(r.Timeout): // the duration of an attempt that gets no answer
			}
			r.Controller.Release()
			r.isClosed(closed)
			r.works()
			return
		}
		r.isClosed(closed)
		before := len(r.openings(0))
		r.Controller.Release()
		r.checkLate(before)
		r.works()
	}},
	{"a controller slower than the time-out, and the close behind it", func(t *testing.T, f Factory) {
		r := started(t, f)
		r.stall(5 * r.length())
		r.Controller.Release()
		closed := make(chan error, 1) // the case may have failed by then
		go func() { closed <- r.Contacts[0].Close(r.ctx(testTimeout)) }()
		r.isClosed(closed)
		if o := r.openings(0); len(o) > 1 {
			t.Fatalf("open for %v", o)
		}
		r.works()
	}},
	{"a slow controller, withdrawn before it answers", func(t *testing.T, f Factory) {
		r := started(t, f)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		asked := time.Now()
		result := r.openStalled(ctx, r.long())
		cancel()
		r.Controller.Release()
		took := time.Since(asked) // of the opening's time-out
		res := get(r, "result", result)
		if res.Outcome == relay.Unknown && took+r.late(r.startMark) < r.Timeout/2 || res.OpenFor > r.long()/2 {
			t.Fatalf("%+v", res)
		}
		if res.Outcome != relay.Unknown && r.isOpen(0) {
			t.Fatal("Interrupt returned, but the contact is open")
		}
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.works()
	}},
	{"no opening until a close without an answer can no longer end it", func(t *testing.T, f Factory) {
		r := started(t, f)
		if r.Late == LateInOrder {
			t.Log("this controller carries out nothing before a close that it holds")
			return
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		result := r.open(ctx, 0, r.long())
		r.Controller.Inject(Fault{Do: StallRequest, On: Closing, Once: true})
		cancel()
		r.until("the controller has the close", func() bool { return r.Controller.Stalled() > 0 })
		cut := time.Now()
		r.Controller.Cut() // from here on the driver cannot know whether that close takes effect
		r.awaitLinkLoss()
		r.Controller.Restore()
		if res := get(r, "result", result); res.Outcome != relay.Unknown {
			t.Logf("the controller holds a close of the other line: %+v", res)
			r.Controller.Release()
			return
		}
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.until("an interruption works again", func() bool { return r.interrupt(r.length()).Outcome == relay.Done })
		if d := time.Since(cut); d < r.Timeout+r.length() {
			t.Fatalf("an opening of %v was over %v after the link was cut, with a time-out of %v", r.length(), d, r.Timeout)
		}
		r.Controller.Release()
		r.works()
	}},
}

// openStalled begins an opening that the controller holds, and returns its result channel once the controller has the
// opening. If the machine was so late that the opening was never sent, openStalled begins it again.
func (r *testBed) openStalled(ctx context.Context, d time.Duration) <-chan relay.Result {
	r.t.Helper()
	r.Controller.Inject(Fault{Do: StallRequest, On: Opening, Once: true})
	_, result := r.background(ctx, 0, r.command(d))
	r.until("the controller has the opening", func() bool {
		select {
		case res := <-result:
			if res.Outcome != relay.Refused || r.late(r.startMark) < r.Timeout/2 {
				r.t.Fatalf("%+v while the controller should keep it; things were late by %v", res, r.late(r.startMark))
			}
			_, result = r.background(ctx, 0, r.command(d))
		default:
		}
		return r.Controller.Stalled() > 0
	})
	return result
}

// stall makes the controller hold an opening until the driver has given the opening up.
func (r *testBed) stall(d time.Duration) {
	r.t.Helper()
	r.Controller.Inject(Fault{Do: StallRequest, On: Opening, Once: true})
	r.until("the opening is given up", func() bool {
		res := r.interrupt(d)
		if res.Outcome == relay.Refused && r.late(r.startMark) >= r.Timeout/2 {
			return false // nothing was sent, since the machine was late
		}
		r.want(res, relay.Unknown, relay.ErrNoAnswer)
		return true
	})
	r.until("the controller has the opening", func() bool { return r.Controller.Stalled() > 0 })
}

// isClosed waits for the result of a close, and checks that the contact is closed.
func (r *testBed) isClosed(closed <-chan error) {
	r.t.Helper()
	if err := get(r, "close", closed); err != nil {
		r.t.Fatal(err)
	}
	if r.isOpen(0) {
		r.t.Fatal("the close was confirmed, but the contact is open")
	}
}

// checkLate checks the effect of an opening that the controller held until after a confirmed close. The number before
// is the number of openings until then.
func (r *testBed) checkLate(before int) {
	r.t.Helper()
	from := r.mark()
	if r.Late == LateRefused {
		if o := r.openings(0); len(o) > before {
			r.t.Fatalf("a stale opening was made after a confirmed close, and lasted for %v",
				o[before:])
		}
		return
	}
	// Such a controller only guarantees that the driver notices soon, and closes.
	r.until("the late opening is over", func() bool { return !r.isOpen(0) })
	most := relay.CloseEvery + 150*time.Millisecond + r.Slack + r.late(from)
	if o := r.openings(0); len(o) > before+1 || len(o) > before && o[before] > most {
		r.t.Fatalf("late openings of %v; allowed is one of at most %v", o[before:], most)
	}
}
