package daemon

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"clearback/bridge/control"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Pulse implements control.Backend. It waits for the result of the interruption. ctx is the server's context and does
// not end when the client goes.
func (h *backend) Pulse(ctx context.Context, line string, interval time.Duration) (control.Pulse, error) {
	l, err := h.named(line)
	if err != nil {
		return control.Pulse{}, err
	}
	if err := l.beginPulse(); err != nil {
		return control.Pulse{}, err
	}
	defer l.endPulse()
	ctx, cancel := context.WithTimeout(ctx, pulseTimeout)
	defer cancel()
	w := newPulseWait()
	stop := l.line.Follow(w.take)
	defer stop()
	v, p := l.line.View(), l.line.Policy()
	l.line.Post(supervision.Event{Kind: supervision.PulseRequested, Interval: interval})
	select {
	case <-w.done:
	case <-h.d.ending:
		return control.Pulse{}, errEnding(line)
	case <-ctx.Done():
		select {
		case <-h.d.ending: // this ends ctx, too
			return control.Pulse{}, errEnding(line)
		default:
		}
		return control.Pulse{}, &control.Error{Code: http.StatusGatewayTimeout, Reason: control.ReasonFailed,
			Text: line + ": no result of the interruption arrived in time; `clearback lines` shows the loop"}
	}
	switch w.refused {
	case supervision.SuppressionNone:
	case supervision.SuppressedOutOfBounds:
		w.out.Refused = fmt.Sprintf("%s Allowed are %s to %s.", l.refusal(w.refused, v), supervision.IntervalFloor,
			p.Longest())
	default:
		w.out.Refused = l.refusal(w.refused, v)
	}
	return w.out, nil
}

// beginPulse allows one manual interruption at a time, because the line's entries do not say which request they belong
// to.
func (l *Line) beginPulse() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.busyLocked(); err != nil {
		return err
	}
	if l.pulsing {
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy, Text: l.name +
			": another interruption by hand is under way; try again"}
	}
	l.pulsing = true
	return nil
}

func (l *Line) endPulse() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.pulsing = false
}

// refusal says which rule keeps the loop closed, because of which call, and until when.
func (l *Line) refusal(why supervision.Suppression, v supervision.View) string {
	until := l.callbackUntil(v)
	switch {
	case why == supervision.SuppressedOtherCall && len(v.Calls) > 0:
		return callPhrase(v.Calls[0]) + "; the loop is opened by hand only on a line without a call"
	case why == supervision.SuppressedCallback && until != nil:
		return fmt.Sprintf("An emergency call has ended, and the emergency centre may be about to call back until %s. Wait until then.",
			until.Local().Format(time.TimeOnly))
	default:
		return callrecord.Observation(supervision.IncidentNone, why, false)
	}
}

// callbackUntil returns the end of the call-back window, nil if there is none now.
func (l *Line) callbackUntil(v supervision.View) *time.Time {
	if until := l.epoch.Add(time.Duration(v.CallbackBy)); v.CallbackBy > 0 && time.Until(until) > 0 {
		return &until
	}
	return nil
}

// callPhrase describes a call of the line and its state.
func callPhrase(c supervision.CallView) string {
	state := map[string]string{
		"waiting": "waits to be offered", "offered": "is ringing or being made", "answered": "is up",
		"clearing": "is being cleared",
	}[callState(c)]
	kind := "call"
	if c.Emergency {
		kind = "EMERGENCY call"
	}
	return fmt.Sprintf("%s %d %s", kind, c.Call, state)
}

// pulseWait follows a manual interruption. The line's goroutine writes all its fields. It closes done once out is
// complete, and writes nothing after that.
type pulseWait struct {
	begun, over bool
	out         control.Pulse
	refused     supervision.Suppression
	done        chan struct{} // closed exactly once
}

func newPulseWait() *pulseWait { return &pulseWait{done: make(chan struct{})} }

func (w *pulseWait) take(e callrecord.Entry) {
	if w.over {
		return
	}
	switch {
	case e.Event.Kind == supervision.PulseRequested:
		w.begun = true
	case !w.begun:
	case e.Effect.Kind == supervision.OpenLoop && e.Effect.Call == 0:
		w.out.Asked = e.Effect.Interval.Milliseconds()
	case e.Event.Kind == supervision.LoopClosed:
		w.out.Measured = e.Event.Took.Microseconds()
	case e.Event.Kind == supervision.LoopFailed || e.Event.Kind == supervision.LoopUnknown:
		w.out.Measured, w.out.DeviceText = e.Event.Took.Microseconds(), e.Event.Why
	case e.Effect.Kind == supervision.Report && e.Effect.Call == 0:
		w.report(&e.Effect)
	}
}

func (w *pulseWait) report(r *supervision.Effect) {
	switch r.Report {
	case supervision.ReportRefused:
		w.refused = r.Suppression
	case supervision.ReportSuppressed:
		w.refused = r.Suppression
	case supervision.ReportCancelled:
		w.out.Hook, w.out.Incident = supervision.HookUnknown.String(), "cancelled: the near end came first"
	case supervision.ReportInterrupted:
		w.out.Hook = r.Hook.String()
	case supervision.ReportIncident:
		w.out.Hook, w.out.Incident = supervision.HookUnknown.String(), r.Incident.String()
	default:
		return
	}
	w.over = true
	close(w.done)
}

// OpenByHand opens the loop for the line's own interval, if the line's rules allow that. It waits until the line is at
// rest again, for at most awaitRestFor or until ctx ends. It returns the events and effects of that time. It works
// without a control socket.
func (l *Line) OpenByHand(ctx context.Context) []callrecord.Entry {
	var mu sync.Mutex
	var all []callrecord.Entry
	stop := l.line.Follow(func(e callrecord.Entry) {
		mu.Lock()
		defer mu.Unlock()
		all = append(all, e)
	})
	defer stop()
	l.line.Post(supervision.Event{Kind: supervision.PulseRequested})
	awaitRest(ctx, l)
	mu.Lock()
	defer mu.Unlock()
	return slices.Clone(all)
}
