package sipua

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// The 200 waits until the state is saved, and 100 ms at most, once. An emergency call waits for nothing.
func TestAnswerWaitsForItsState(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.states.slow = true
		answer := func(id string) time.Duration {
			d := r.arrive(far())
			inv := r.adapter.Expect("INVITE")
			began := time.Now()
			r.adapter.Respond(inv, 200, "near"+id, near())
			r.adapter.Expect("ACK")
			r.machine.saw(id+" arrived", id+" answered")
			if id == "1" {
				<-time.After(20 * time.Millisecond)
				r.service.ExpectNone()
				r.states.mu.Lock()
				done := r.states.waiting[0]
				r.states.mu.Unlock()
				done(errors.New("disk full")) // not saved: nothing to wait for
			}
			d.Established(r.service.Expect("200")).Ack("")
			return time.Since(began)
		}
		for i, want := range []time.Duration{20 * time.Millisecond, saveLimit, 0} {
			if took := answer(num(i + 1)); took != want {
				t.Fatalf("call %d: passed on after %v, want %v", i+1, took, want)
			}
		}
		r.states.mu.Lock()
		r.states.waiting[2](nil) // the disk is back
		r.states.mu.Unlock()
		if took := answer("4"); took != saveLimit {
			t.Fatalf("passed on after %v", took)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.states.slow = true
		began := time.Now()
		r.testBed.emergency()
		if took := time.Since(began); took != 0 || len(r.states.all()) != 1 {
			t.Fatalf("an emergency call waited %v; saved: %d", took, len(r.states.all()))
		}
	})
}

// What changes in a call is saved, and nothing else is.
func TestChangesAreSaved(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		c := r.incoming()
		<-time.After(saveEvery)
		synctest.Wait()
		before, n := string(r.states.all()[1]), r.states.count()
		c.near.Request("OPTIONS", "")
		r.adapter.Expect("200")
		<-time.After(saveEvery)
		synctest.Wait()
		if after := string(r.states.all()[1]); after == before || r.states.count() != n+1 {
			t.Fatal("the number of the adapter's last request was not saved")
		}
		for _, secret := range []string{adapterSecret, serviceSecret} {
			lacks(t, before, secret)
		}
	})
}

// A short call costs one state and its removal: nothing is saved while it rings for a moment, nor when it has ended.
func TestShortCallIsSavedOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		c := r.incoming()
		c.near.Request("BYE", "")
		r.adapter.ExpectOf("200", "BYE")
		r.service.Respond(r.service.Expect("BYE"), 200, "", "")
		r.atRest()
		<-time.After(saveEvery)
		if synctest.Wait(); r.states.count() != 2 {
			t.Fatalf("%d times", r.states.count())
		}
	})
}
