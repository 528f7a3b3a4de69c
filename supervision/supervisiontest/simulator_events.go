package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// spontaneous returns what people or the far end do next.
func (w *Simulator) spontaneous() supervision.Event {
	if c := w.lively(); c != nil && w.rand.Of(85) {
		return w.progress(c)
	}
	switch {
	case w.rand.Of(50):
		return w.arrival()
	case w.rand.Of(80):
		return w.request()
	case w.rand.Of(30):
		w.flows = !w.flows || w.rand.Of(10)
		return w.current()
	case w.rand.Of(10):
		return supervision.Event{Kind: supervision.LeftOffHook}
	case w.rand.Of(5):
		return supervision.Event{Kind: supervision.FlashReported}
	case w.rand.Of(60):
		return supervision.Event{Kind: supervision.PulseRequested,
			Interval: time.Duration(w.rand.Below(8)) * 500 * time.Millisecond}
	default:
		return supervision.Event{Kind: supervision.ProbeAnswered, Hook: supervision.Hook(w.rand.Below(3))}
	}
}

// adopt sometimes begins an order with one or two calls that were answered before a restart. The leg of most is heard.
func (w *Simulator) adopt() {
	r := &w.adopted
	if !r.Of(12) {
		return
	}
	for range 1 + r.Below(5)/4 {
		w.next++
		w.calls = append(w.calls, simulatedCall{id: w.next, requested: true, answered: true})
		ev := supervision.Event{Kind: supervision.CallAdopted, Call: w.next, Emergency: r.Of(10)}
		if r.Of(5) {
			ev.Number = supervision.NumberResembles
		}
		w.plan = append(w.plan, plannedEvent{w.now, ev})
		if r.Of(5) {
			w.plan = append(w.plan, plannedEvent{w.now + 1,
				supervision.Event{Kind: supervision.TrialCall, Call: w.next}})
		}
		if r.Of(75) {
			w.plan = append(w.plan, plannedEvent{w.now.Add(r.Within(1, 3000)), w.heard(w.next)})
		}
		w.contradict(w.next)
	}
}

func (w *Simulator) heard(id supervision.CallID) supervision.Event {
	return supervision.Event{Kind: supervision.AdapterLegHeard, Call: id}
}

func (w *Simulator) lively() *simulatedCall {
	for i := range w.calls {
		if !w.calls[i].gone && (w.calls[i].offered || w.calls[i].requested || w.rand.Of(20)) {
			return &w.calls[i]
		}
	}
	return nil
}

// progress continues a call: it is answered, or one of its ends clears.
func (w *Simulator) progress(c *simulatedCall) supervision.Event {
	switch {
	case !c.answered && (c.offered || c.requested) && w.rand.Of(88):
		c.answered = true
		if w.senses() {
			w.after(w.rand.Within(0, 60), supervision.Event{Kind: supervision.Seized})
		}
		w.contradict(c.id)
		return supervision.Event{Kind: supervision.CallAnswered, Call: c.id}
	case w.rand.Of(12):
		c.gone = true
		if w.senses() {
			w.after(w.rand.Within(0, 200), supervision.Event{Kind: supervision.Released})
		}
		return supervision.Event{Kind: supervision.NearEndCleared, Call: c.id}
	case w.rand.Of(2):
		c.gone = true
		return supervision.Event{Kind: supervision.AdapterLost, Call: c.id}
	}
	if c.answered && w.rand.Of(20) {
		return w.trial(c)
	}
	c.gone = true
	ev := supervision.Event{Kind: supervision.FarEndCleared, Call: c.id, Evidence: supervision.EvidenceBye}
	if w.rand.Of(15) {
		ev.Evidence = supervision.Evidence(1 + w.rand.Below(8))
		ev.Late = w.rand.Within(0, 1300)
	}
	return ev
}

// contradict sometimes plans that the adapter reports on hook in an answered call, once or twice.
func (w *Simulator) contradict(id supervision.CallID) {
	if !w.doubts.Of(4) {
		return
	}
	ev := supervision.Event{Kind: supervision.OnHookInCall, Call: id}
	first := w.now.Add(w.doubts.Within(1, 300))
	w.plan = append(w.plan, plannedEvent{first, ev})
	if w.doubts.Of(60) {
		w.plan = append(w.plan, plannedEvent{first.Add(w.doubts.Within(1, 300)), ev})
	}
}

// trial sets an interval for the clearing of a call. Most are within the bounds, and many are catch trials.
func (w *Simulator) trial(c *simulatedCall) supervision.Event {
	ev := supervision.Event{Kind: supervision.TrialSet, Call: c.id, PulseDiallingOff: w.rand.Of(40)}
	switch {
	case w.rand.Of(35): // a catch trial
	case w.rand.Of(50):
		ev.Interval = w.rand.Within(250, 1300)
	default:
		ev.Interval = w.rand.Within(0, 3500)
	}
	return ev
}

// senses reports whether the line has a sensor. Some lines have one that is not trusted.
func (w *Simulator) senses() bool { return w.policy.SenseTrusted || w.rand.Of(10) }

// current returns what the sensor reports.
func (w *Simulator) current() supervision.Event {
	if w.flows {
		return supervision.Event{Kind: supervision.Seized}
	}
	return supervision.Event{Kind: supervision.Released}
}

// sees updates the current from a sensor's report.
func (w *Simulator) sees(ev *supervision.Event) {
	switch {
	case ev.Reading == supervision.ReadingBeforeClosing:
	case ev.Kind == supervision.Seized:
		w.flows = true
	case ev.Kind == supervision.Released:
		w.flows = false
	}
}

// readAnew plans the readings after a closing. The first reading that counts may come late or not at all. A reading
// from before the closing may come first.
func (w *Simulator) readAnew(from time.Duration) {
	r := &w.readings
	if !w.policy.SenseTrusted && !r.Of(10) {
		return
	}
	read := func(d time.Duration, k supervision.EventKind, how supervision.Reading) {
		w.plan = append(w.plan, plannedEvent{w.now.Add(from + d), supervision.Event{Kind: k, Reading: how}})
	}
	if r.Of(15) {
		read(r.Within(0, 60), supervision.Seized, supervision.ReadingBeforeClosing)
	}
	if r.Of(15) {
		read(r.Within(0, 60), supervision.Released, supervision.ReadingBeforeClosing)
	}
	switch {
	case r.Of(80):
		read(r.Within(50, 200), supervision.Seized, supervision.ReadingRepeated)
	case r.Of(60): // a slow controller
		read(r.Within(200, 2500), supervision.Seized, supervision.ReadingRepeated)
	default: // a controller that cannot be reached for a time
		read(r.Within(0, 2000), supervision.CurrentUnreadable, supervision.ReadingChange)
		read(r.Within(2000, 20_000), supervision.Seized, supervision.ReadingRepeated)
	}
	if r.Of(5) {
		read(r.Within(0, 10_000), supervision.CurrentUnreadable, supervision.ReadingChange)
	}
}

// sensed plans a sensor's reports of an opening. The current stops, unless the contact is stuck, and returns if the
// hold stayed.
func (w *Simulator) sensed(from, length time.Duration) {
	if !w.senses() {
		return
	}
	if w.rand.Of(85) {
		w.after(from+w.rand.Within(0, 15), supervision.Event{Kind: supervision.Released})
	}
	if w.rand.Of(50) {
		back := from + length + w.rand.Within(0, 90) - 40*time.Millisecond
		w.after(back, supervision.Event{Kind: supervision.Seized})
		if w.rand.Of(40) { // somebody who was listening hangs up
			w.after(back+w.rand.Within(400, 4000), supervision.Event{Kind: supervision.Released})
		}
	}
}

func (w *Simulator) arrival() supervision.Event {
	w.next++
	w.calls = append(w.calls, simulatedCall{id: w.next})
	if w.dialled.Of(10) { // of a tuning session
		w.plan = append(w.plan, plannedEvent{w.now, supervision.Event{Kind: supervision.TrialCall, Call: w.next}})
		if w.dialled.Of(50) { // an opening is read as dialling, and that call is refused
			id, at := w.next, w.now.Add(w.dialled.Within(1000, 5000))
			w.next++
			w.plan = append(w.plan, plannedEvent{at, supervision.Event{Kind: supervision.CallRequested, Call: w.next}},
				plannedEvent{at + 1, supervision.Event{Kind: supervision.NearEndCleared, Call: w.next}})
			return supervision.Event{Kind: supervision.CallArrived, Call: id, Emergency: w.rand.Of(3)}
		}
	}
	return supervision.Event{Kind: supervision.CallArrived, Call: w.next, Emergency: w.rand.Of(3)}
}

func (w *Simulator) request() supervision.Event {
	w.next++
	w.calls = append(w.calls, simulatedCall{id: w.next, requested: true})
	ev := supervision.Event{Kind: supervision.CallRequested, Call: w.next, Emergency: w.rand.Of(3)}
	switch {
	case ev.Emergency && w.dialled.Of(20):
		ev.Number = supervision.NumberUnlistedPrefix
	case ev.Emergency && w.dialled.Of(70):
		w.plan = append(w.plan, plannedEvent{w.now.Add(w.dialled.Within(5, 5000)), w.attempt(w.next)})
	case !ev.Emergency && w.dialled.Of(3):
		ev.Number = supervision.NumberResembles
	}
	return ev
}

// attempt returns the end of an emergency call's attempt at one service.
func (w *Simulator) attempt(id supervision.CallID) supervision.Event {
	return supervision.Event{
		Kind: supervision.AttemptEnded, Call: id, Second: w.dialled.Of(30),
		Progress: supervision.Progress(w.dialled.Below(3)),
		Code:     []int{0, 0, 200, 404, 480, 486, 503, 600}[w.dialled.Below(8)],
	}
}

// intrude sometimes plans a seizure or a call within d.
func (w *Simulator) intrude(chance int, d time.Duration) {
	if !w.rand.Of(chance) || d < time.Millisecond {
		return
	}
	at := time.Duration(w.rand.Next() % uint64(d))
	switch w.rand.Below(5) {
	case 0:
		w.plan = append(w.plan, plannedEvent{w.now.Add(at), supervision.Event{Kind: supervision.Seized}})
	case 1, 2:
		w.plan = append(w.plan, plannedEvent{w.now.Add(at), w.request()})
	default:
		w.plan = append(w.plan, plannedEvent{w.now.Add(at), w.arrival()})
	}
}

// nonsense returns an event that may be out of place.
func (w *Simulator) nonsense() supervision.Event {
	r := &w.rand
	ev := supervision.Event{
		Kind:      supervision.EventKind(1 + r.Below(22)),
		Call:      supervision.CallID(r.Below(int(w.next) + 2)),
		Seq:       supervision.Seq(r.Below(int(w.seq) + 2)),
		Emergency: r.Of(4),
		Number:    supervision.NumberClass(max(0, w.dialled.Below(24)-21)),
		Evidence:  supervision.Evidence(r.Below(9)),
		Answer:    supervision.Answer(r.Below(4)),
		Hook:      supervision.Hook(r.Below(3)),
		Failure:   supervision.Failure(r.Below(7)),
		Late:      r.Within(0, 1500),
		Interval:  r.Within(0, 3500),

		PulseDiallingOff: r.Of(30),
	}
	if w.dialled.Of(10) {
		ev.Kind = [...]supervision.EventKind{supervision.SoundContested, supervision.SoundMissing,
			supervision.FarEndSilent}[w.dialled.Below(3)]
	}
	if w.dialled.Of(5) {
		ev = w.attempt(ev.Call)
	}
	if w.readings.Of(5) {
		ev.Kind = supervision.CurrentUnreadable
	}
	if w.doubts.Of(5) {
		ev.Kind = [...]supervision.EventKind{supervision.AdapterChanged, supervision.OnHookInCall}[w.doubts.Below(2)]
	}
	if w.adopted.Of(5) {
		ev.Kind = [...]supervision.EventKind{supervision.CallAdopted, supervision.AdapterLegHeard}[w.adopted.Below(2)]
	}
	ev.Reading = supervision.Reading(max(0, w.readings.Below(8)-5))
	return ev
}

// answer plans the outcome of an effect.
func (w *Simulator) answer(ef *supervision.Effect) {
	switch ef.Kind {
	case supervision.OfferCall:
		w.offered(ef.Call)
	case supervision.ClearAdapterLeg:
		w.legCleared(ef.Call)
	case supervision.OpenLoop:
		w.opening(ef)
	case supervision.CloseLoop:
		w.closing(ef)
	case supervision.ProbeLine:
		if w.rand.Of(95) {
			hook := supervision.Hook(w.rand.Below(3))
			if w.rand.Of(30) {
				hook = supervision.HookOff // a line that stays off hook for long
			}
			w.after(w.rand.Within(2, 20+w.rand.Below(10)*60), supervision.Event{Kind: supervision.ProbeAnswered,
				Hook: hook})
		}
	}
}

func (w *Simulator) offered(id supervision.CallID) {
	for i := range w.calls {
		if w.calls[i].id == id {
			w.calls[i].offered = true
		}
	}
	w.after(w.rand.Within(5, 60), supervision.Event{Kind: supervision.CallRinging, Call: id})
	if w.rand.Of(4) {
		w.after(w.rand.Within(5, 60), supervision.Event{Kind: supervision.NearEndCleared, Call: id}) // busy
	}
}

func (w *Simulator) legCleared(id supervision.CallID) {
	ev := supervision.Event{Kind: supervision.AdapterLegCleared, Call: id, Answer: supervision.AnswerConfirmed}
	d := w.rand.Within(2, 40)
	switch {
	case w.rand.Of(30):
		d = w.rand.Within(200, 1500) // one or two datagrams lost
	case w.rand.Of(8):
		ev.Answer = supervision.AnswerUnknown
	case w.rand.Of(6):
		ev.Answer, d = supervision.AnswerNone, w.rand.Within(10, 3000)
	case w.rand.Of(4):
		w.after(w.rand.Within(0, 60), supervision.Event{Kind: supervision.NearEndCleared, Call: id}) // BYE crossing BYE
	case w.rand.Of(3):
		w.after(w.rand.Within(0, 60), supervision.Event{Kind: supervision.CallAnswered, Call: id}) // 200 crossing CANCEL
	case w.rand.Of(3):
		w.intrude(30, 500*time.Millisecond)
		return // lost for good
	}
	if ev.Answer == supervision.AnswerConfirmed && w.adopted.Of(8) {
		ev.Answer = supervision.AnswerOther
	}
	if w.adopted.Of(3) {
		w.plan = append(w.plan, plannedEvent{w.now.Add(w.adopted.Within(0, 30)), w.heard(id)}) // only after our BYE
	}
	w.intrude(30, min(d, 500*time.Millisecond))
	w.after(d, ev)
}

func (w *Simulator) opening(ef *supervision.Effect) {
	w.seq = ef.Seq
	opened := supervision.Event{Kind: supervision.LoopOpened, Seq: ef.Seq}
	end := supervision.Event{Kind: supervision.LoopClosed, Seq: ef.Seq, Took: ef.Interval}
	d := w.rand.Within(1, 60)
	w.intrude(30, d)
	switch {
	case w.rand.Of(6):
		end.Kind, end.Took, end.Failure = supervision.LoopFailed, 0, supervision.Failure(1+w.rand.Below(8))
		w.after(d, end)
		return
	case w.rand.Of(4):
		end.Kind, end.Failure = supervision.LoopUnknown, supervision.FailureNoAnswer
		if w.rand.Of(30) {
			end.Failure = supervision.FailureNotMoved
		}
		w.after(d, opened)
		w.after(d+w.rand.Within(1, 900), end)
		w.after(d+w.rand.Within(900, 9000), supervision.Event{Kind: supervision.LoopClosed,
			Seq: ef.Seq * supervision.Seq(w.rand.Below(2))})
		return
	case w.rand.Of(4):
		d = w.rand.Within(60, 700) // a busy controller
	}
	if w.rand.Of(97) {
		w.after(d, opened)
	}
	w.sensed(d, ef.Interval)
	if w.rand.Of(20) {
		w.after(d+ef.Interval+w.rand.Within(0, 900), supervision.Event{Kind: supervision.FlashReported, Call: ef.Call})
	}
	d += ef.Interval
	if w.rand.Of(30) {
		w.intrudeLater(d-ef.Interval, ef.Interval)
	}
	if w.rand.Of(97) {
		w.after(d, end)
	}
	if w.rand.Of(35) {
		w.intrudeLater(d, 350*time.Millisecond)
	}
}

// intrudeLater plans a seizure or a call within length, counted from a later time.
func (w *Simulator) intrudeLater(from, length time.Duration) {
	now := w.now
	w.now = now.Add(from)
	w.intrude(100, length)
	w.now = now
}

func (w *Simulator) closing(ef *supervision.Effect) {
	ev := supervision.Event{Kind: supervision.LoopClosed, Seq: ef.Seq}
	switch {
	case w.rand.Of(10):
		ev.Kind, ev.Failure = supervision.LoopFailed, supervision.FailureStopped
	case w.rand.Of(5):
		ev.Seq = 0
	case w.rand.Of(5):
		return // lost
	}
	d := w.rand.Within(1, 30)
	if w.rand.Of(10) {
		d = w.rand.Within(30, 2500)
	}
	w.after(d, ev)
}
