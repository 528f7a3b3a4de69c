package cli

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"clearback/bridge/control"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Pulse implements control.Backend. It waits for the result of the interruption. ctx is the server's context and does
// not end when the client goes.
func (h *controlBackend) Pulse(ctx context.Context, line string, interval time.Duration) (control.Pulse, error) {
	k, err := h.lineState(line)
	if err != nil {
		return control.Pulse{}, err
	}
	if err := k.beginPulse(); err != nil {
		return control.Pulse{}, err
	}
	defer k.endPulse()
	ctx, cancel := context.WithTimeout(ctx, pulseTimeout)
	defer cancel()
	w := newPulseWait()
	stop := k.line.Follow(w.take)
	defer stop()
	v, p := k.line.View(), k.line.Policy()
	k.line.Post(supervision.Event{Kind: supervision.PulseRequested, Interval: interval})
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
		w.out.Refused = fmt.Sprintf("%s Allowed are %s to %s.", k.refusal(w.refused, v), supervision.IntervalFloor,
			p.Longest())
	default:
		w.out.Refused = k.refusal(w.refused, v)
	}
	return w.out, nil
}

// beginPulse allows one manual interruption at a time, because the line's entries do not say whose request they answer.
func (k *lineState) beginPulse() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case k.ending:
		return errEnding(k.c.Name)
	case k.session != nil || k.beginning:
		return errTuning(k.c.Name)
	case k.pulsing:
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy, Text: k.c.Name +
			": another interruption by hand is under way; try again"}
	}
	k.pulsing = true
	return nil
}

func (k *lineState) endPulse() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.pulsing = false
}

// refusal says which rule keeps the loop closed, because of which call, and until when.
func (k *lineState) refusal(why supervision.Suppression, v supervision.View) string {
	until := k.callbackUntil(v)
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
func (k *lineState) callbackUntil(v supervision.View) *time.Time {
	if until := k.epoch.Add(time.Duration(v.CallbackBy)); v.CallbackBy > 0 && time.Until(until) > 0 {
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
