package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"clearback/bridge/daemon"
	"clearback/bridge/relay"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
	"clearback/supervision/sanitize"
)

const (
	// liveTimeout is how long the check waits for registrations, the adapters' and our own. An adapter that registers
	// every minute does so within that time. The wait ends early once all are registered.
	liveTimeout = 65 * time.Second
	// askTimeout is the time limit of one query to an adapter or a contact.
	askTimeout = 3 * time.Second
)

// checkLive starts the daemon on the real network and reports what it finds. The daemon's log is limited to warnings.
// It has no journal and no control socket, because it is not the service.
func (e *env) checkLive(c *config.Config, states, pulse string) int {
	served := *c
	served.Journal.File, served.Control.Socket = "", ""
	log, end := newLogger(config.Log{Level: "warn", Format: c.Log.Format}, e.Err)
	defer end()
	d, err := daemon.Start(&served, daemonOptions("", log))
	if err != nil {
		return e.failed(err)
	}
	ctx, cancel := e.context()
	defer cancel()
	good := e.lookAtAll(ctx, d, c)
	if states != "" && ctx.Err() == nil {
		good = e.checkStates(ctx, d.Line(states), c.Journal.File) && good
	}
	if pulse != "" && ctx.Err() == nil {
		good = e.pulse(ctx, d.Line(pulse)) && good
	}
	cancel()
	// As in run, calls that arrived during the check end in order, and another signal ends the wait at once.
	hurry, cancelHurry := e.context()
	defer cancelHurry()
	if left := d.Shutdown(hurry); len(left) > 0 {
		return e.linesNotClosed(left)
	}
	if !good {
		return ExitFailed
	}
	return ExitOK
}

// finding is one row of the report.
type finding struct {
	service, adapter, contact string
	good                      bool
}

func (e *env) lookAtAll(ctx context.Context, d *daemon.Daemon, c *config.Config) bool {
	fmt.Fprintf(e.Out, "waiting at most %s for registrations\n", liveTimeout)
	found := make([]finding, len(c.Lines))
	var all sync.WaitGroup
	for i := range c.Lines {
		all.Go(func() { found[i] = look(ctx, d.Line(c.Lines[i].Name), liveTimeout) })
	}
	all.Wait()
	good := true
	rows := [][]string{{"line", "service", "adapter", "contact"}}
	for i, f := range found {
		rows = append(rows, []string{c.Lines[i].Name, f.service, f.adapter, f.contact})
		good = good && f.good
	}
	t := table{w: e.Out}
	_ = t.write(rows) // a failed write is ignored, as in all this output
	return good
}

// look waits for both registrations, at most for patience, and then queries the adapter and the contact.
func look(ctx context.Context, l *daemon.Line, patience time.Duration) finding {
	f := finding{good: true}
	c, line := l.Config(), l.SIP()
	deadline, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	// An adapter with a wrong password is reported at once, since it will use the same one again.
	waiting := func() bool {
		s := line.Status()
		return !s.Bound && !(s.Refusal.WrongPassword && s.Refusal.User == c.Adapter.User) ||
			c.Service.Register && !s.Service.Registered
	}
	for waiting() {
		select {
		case <-deadline.Done():
		case <-tick.C:
			continue
		}
		break
	}
	s := line.Status()
	switch {
	case !c.Service.Register:
		f.service = "not registering, as configured"
	case s.Service.Registered:
		f.service = "registered until " + s.Service.Until.Format(time.TimeOnly)
	default:
		f.service, f.good = "NOT registered: "+sanitize.Text(s.Service.Problem, maxCell), false
	}
	switch {
	case s.Bound:
		f.adapter = askAdapter(ctx, l, s.Binding.Destination.String())
		f.good = f.good && (strings.HasPrefix(f.adapter, "200") || strings.HasPrefix(f.adapter, "486"))
	case !s.Refusal.At.IsZero():
		f.adapter, f.good = fmt.Sprintf("NOT registered: refused, from %s as user %q: %s", s.Refusal.From,
			sanitize.Text(s.Refusal.User, maxCell), s.Refusal.Why), false
	default:
		f.adapter, f.good = "NOT registered: no attempt seen", false
	}
	var known bool
	if f.contact, known = readContact(ctx, l); known {
		f.contact, known = tryContact(ctx, l, f.contact)
	}
	f.good = f.good && known
	return f
}

func askAdapter(ctx context.Context, l *daemon.Line, at string) string {
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	code, agent, err := l.SIP().Ask(ctx)
	if err != nil {
		return fmt.Sprintf("NO answer to OPTIONS from %s: %v", at, err)
	}
	words := map[int]string{200: "on hook, unless it always answers 200", 486: "off hook"}[code]
	if words == "" {
		words = "does not show the hook state"
	}
	if agent != "" {
		words += fmt.Sprintf(", %q", agent)
	}
	return fmt.Sprintf("%d from %s (%s)", code, at, words)
}

func readContact(ctx context.Context, l *daemon.Line) (words string, known bool) {
	if l.Config().Contact.Driver == "none" {
		return "none: openings are only recorded", true
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	contact := l.Contact()
	if err := contact.Close(ctx); err != nil {
		return fmt.Sprintf("NOT known closed: %v", err), false
	}
	r, ok := contact.(relay.Reader)
	if !ok {
		return "closed, as commanded; it cannot be read back", true
	}
	level, err := r.Read(ctx)
	switch {
	case errors.Is(err, relay.ErrNoRead):
		return withSense(ctx, contact, "closed, as commanded; it cannot be read back")
	case err != nil:
		return fmt.Sprintf("closed as commanded, but NOT readable: %v", err), false
	case level != relay.LevelClosed:
		return "commanded closed, but reads OPEN: look at the controller and at open_level", false
	}
	return withSense(ctx, contact, "reads closed")
}

// tryContact tries the opening command if the contact can do so without opening, and adds a failure to words. It leaves
// alone a line whose loop may never be opened and a line that has a call.
func tryContact(ctx context.Context, l *daemon.Line, words string) (string, bool) {
	t, ok := l.Contact().(relay.Trier)
	if !ok || l.Config().Policy.LifeSafety || len(l.View().Calls) > 0 {
		return words, true
	}
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	switch err := t.Try(ctx); {
	case errors.Is(err, relay.ErrCannotTry):
		return words + "; the opening command was not tried, because trying it might open the loop", true
	case err != nil:
		return fmt.Sprintf("%s, but the opening command FAILS: %v", words, err), false
	}
	return words, true
}

// withSense adds the reading of the loop-current input to words, if the contact has such an input.
func withSense(ctx context.Context, contact relay.Contact, words string) (string, bool) {
	s, ok := contact.(relay.Sensor)
	if !ok {
		return words, true
	}
	level, err := s.Sense(ctx)
	switch {
	case errors.Is(err, relay.ErrNoSense):
		return words, true
	case err != nil:
		return fmt.Sprintf("%s, but the loop-current input is NOT readable: %v", words, err), false
	}
	return words + ", " + currentWords(level), true
}

func currentWords(l relay.Level) string {
	if l == relay.LevelClosed {
		return "loop current flows"
	}
	return "no loop current"
}

// currentLog records each change of the loop-current input.
type currentLog struct {
	none    bool // there is no such input
	changes []string
}

// senseEvery is how often the input is read while the loop is opened by hand: about thirty times in an interruption.
const senseEvery = 25 * time.Millisecond

// watch reads the input until ctx ends. It calls begun after the first reading, or at once if there is no input.
func (c *currentLog) watch(ctx context.Context, contact relay.Contact, begun func()) {
	defer begun()
	s, ok := contact.(relay.Sensor)
	tick := time.NewTicker(senseEvery)
	defer tick.Stop()
	began := time.Now()
	last := ""
	for ok {
		level, err := s.Sense(ctx)
		if errors.Is(err, relay.ErrNoSense) {
			break
		}
		words := "not readable"
		if err == nil {
			words = currentWords(level)
		}
		if words != last && ctx.Err() == nil {
			c.changes = append(c.changes, fmt.Sprintf("%s at %d ms", words, time.Since(began).Milliseconds()))
			last = words
		}
		begun()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
	c.none = true
}

func (c *currentLog) words() string {
	if c.none {
		return "this line has no loop-current input; watch the lamp, or a meter across the pair"
	}
	return strings.Join(c.changes, ", ")
}

// pulse asks the user for consent, opens the loop of an idle line once and reports the result.
func (e *env) pulse(ctx context.Context, l *daemon.Line) bool {
	fmt.Fprintf(e.Out, "Open the loop of %s for %s now? The line must be idle, with nobody on it and no emergency call expected. Type yes: ",
		l.Config().Name, l.Config().Policy.Interval)
	s, _ := readLine(ctx, e.input()) // an unreadable answer is no consent
	switch {
	case ctx.Err() != nil:
		return false
	case s != "yes":
		fmt.Fprintln(e.Out, "not opened")
		return true
	}
	return e.openOnce(ctx, l)
}

// openOnce opens the loop of an idle line once and reports the result.
func (e *env) openOnce(ctx context.Context, l *daemon.Line) bool {
	sensing, stop := context.WithCancel(ctx)
	current := &currentLog{}
	var watching sync.WaitGroup
	begun := make(chan struct{}) // closed when the current before the opening is known
	watching.Go(func() {
		current.watch(sensing, l.Contact(), sync.OnceFunc(func() { close(begun) }))
	})
	<-begun
	all := l.OpenByHand(ctx)
	stop()
	watching.Wait()
	opened := false
	for i := range all {
		opened = opened || all[i].Event.Kind == supervision.LoopOpened
		fmt.Fprintln(e.Out, "  "+entryText(&all[i]))
	}
	words, known := readContact(ctx, l)
	fmt.Fprintf(e.Out, "contact now: %s\nsense: %s\n", words, current.words())
	return opened && known
}

// entryText returns the text form of an event or effect, as the log has it.
func entryText(n *callrecord.Entry) string {
	switch {
	case n.Event.Kind != supervision.EventNone:
		return n.Event.String()
	case n.Effect.Kind == supervision.OpenLoop:
		return string(n.Effect.AppendTimeless(nil))
	default:
		return n.Effect.String()
	}
}
