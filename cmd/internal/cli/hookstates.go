package cli

import (
	"context"
	"errors"
	"fmt"
	"time"

	"clearback/bridge/daemon"
	"clearback/bridge/journal"
	"clearback/bridge/relay"
	"clearback/config"
	"clearback/supervision"
)

// state is one of the three states in which a line's answers are checked.
type state struct {
	name, prompt string
	offHook      bool
	inCall       bool
}

// states returns the states that differ in the hook or in the call. An adapter cannot tell a held call from a lifted
// handset, but the check covers both.
func states() []state {
	return []state{
		{name: "on hook", prompt: "Leave %s alone: every handset down, its lamp dark. Then press Enter."},
		{name: "held in a call",
			prompt:  "Bring %s into a call, press the hold key and put the handset down; the other end stays on. Then press Enter.",
			offHook: true, inCall: true},
		{name: "off hook without a call",
			prompt:  "End that call at both ends. Then lift a handset on %s, dial nothing, listen to the dial tone. Then press Enter.",
			offHook: true},
	}
}

// checkStates guides the user through the three states of a line. It writes to the journal which answers can be
// trusted. record is the journal's path, or "" if there is no journal.
func (e *env) checkStates(ctx context.Context, l *daemon.Line, record string) bool {
	name := l.Config().Name
	p := &terminalOperator{in: e.input(), say: e.say, line: name}
	trust := journal.Trust{Probe: true, Sense: true, At: time.Now()}
	for i, s := range states() {
		if _, err := p.ask(ctx, fmt.Sprintf("%d of 3, %s. ", i+1, s.name)+s.prompt, name); err != nil {
			fmt.Fprintln(e.Err, "clearback:", err)
			return false
		}
		for {
			problem := wrongCall(l.View(), s)
			if problem == "" {
				break
			}
			if _, err := p.ask(ctx, "  %s. Correct that, then press Enter.", problem); err != nil {
				fmt.Fprintln(e.Err, "clearback:", err)
				return false
			}
		}
		e.checkState(ctx, l, s, &trust)
	}
	trust.UserAgent = l.UserAgents() // of the adapter's registrations and answers
	return e.keepTrust(record, l.Config(), trust)
}

// wrongCall says how the line's calls differ from what the state requires. It returns "" if they do not.
func wrongCall(v supervision.View, s state) string {
	answered := false
	for _, k := range v.Calls {
		answered = answered || k.Answered && !k.Clearing
	}
	switch {
	case s.inCall && !answered:
		return "No answered call is up on this line"
	case !s.inCall && len(v.Calls) > 0:
		return fmt.Sprintf("Call %d is still up", v.Calls[0].Call)
	}
	return ""
}

// checkState queries the line in one state, and withdraws the trust in each source that answers wrongly.
func (e *env) checkState(ctx context.Context, l *daemon.Line, s state, trust *journal.Trust) {
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	want := 200
	if s.offHook {
		want = 486
	}
	code, _, err := l.SIP().Ask(ctx)
	switch {
	case err != nil:
		trust.Probe = false
		e.say("  OPTIONS: no answer: %v", err)
	case code != want:
		trust.Probe = false
		e.say("  OPTIONS: %d; expected %d", code, want)
	default:
		e.say("  OPTIONS: %d, as it should be", code)
	}
	sensor, ok := l.Contact().(relay.Sensor)
	if !ok {
		trust.Sense = false
		return
	}
	level, err := sensor.Sense(ctx)
	wanted := relay.LevelOpen
	if s.offHook {
		wanted = relay.LevelClosed
	}
	switch {
	case errors.Is(err, relay.ErrNoSense):
		trust.Sense = false
	case err != nil:
		trust.Sense = false
		e.say("  loop-current input: not readable: %v", err)
	case level != wanted:
		trust.Sense = false
		e.say("  loop-current input: %s; that is wrong: look at contact.sense and its current_when",
			currentWords(level))
	default:
		e.say("  loop-current input: %s, as it should be", currentWords(level))
	}
}

// keepTrust reports what can be trusted and writes it to the journal at the path record, unless record is "".
func (e *env) keepTrust(record string, l *config.Line, trust journal.Trust) bool {
	good := true
	switch by := l.Verify.By; {
	case by == "none":
		e.say("%s has verify.by: none; the results are recorded all the same", l.Name)
	case by == "options" && trust.Probe:
		e.say("%s: the adapter's answers to OPTIONS follow the hook: the daemon trusts them from its next start on",
			l.Name)
	case by == "sense" && trust.Sense:
		e.say("%s: the loop-current input follows the hook: the daemon trusts it from its next start on", l.Name)
	default:
		good = false
		e.say("%s: verify.by: %s is NOT trusted on this line, so whether a hold cleared stays unknown", l.Name, by)
	}
	if record == "" {
		e.say("%s: there is no journal, so the result is not saved; set journal.file and repeat this check", l.Name)
		return false
	}
	if err := journal.SaveTrust(record, l.Name, trust); err != nil {
		fmt.Fprintf(e.Err, "clearback: the result could not be saved: %v\n", err)
		return false
	}
	return good
}
