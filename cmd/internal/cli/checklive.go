package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/netip"
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
	// settleTime is ample for an adapter's second REGISTER. Our own number.
	settleTime = time.Second
	// askTimeout is the time limit of one query to an adapter or a contact.
	askTimeout = 3 * time.Second
)

// checkLive starts the daemon on the real network and reports what it finds. The daemon's log is limited to warnings.
// It has no journal and no control socket, because it is not the service.
func (e *env) checkLive(c *config.Config, states, pulse string) int {
	served := *c
	served.Journal.File, served.Control.Socket, served.Alarms.Ways = "", "", nil
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
	ctxAll, done := context.WithCancel(ctx)
	var all, strangers sync.WaitGroup
	w := &liveOutput{w: e.Out}
	strangers.Go(func() { w.showStrangers(ctxAll, d) })
	for i := range c.Lines {
		all.Go(func() { found[i] = look(ctx, d.Line(c.Lines[i].Name), liveTimeout, w) })
	}
	all.Wait()
	done()
	strangers.Wait()
	good := true
	rows := [][]string{{"line", "service", "adapter", "contact"}}
	for i, f := range found {
		rows = append(rows, []string{c.Lines[i].Name, f.service, f.adapter, f.contact})
		good = good && f.good
	}
	t := table{w: e.Out}
	_ = t.write(rows) // a failed write is ignored, as in all this output
	if !good {        // such as an adapter at an address that allow_from does not list
		printRejected(e.Out, d.Backend().Daemon().Counts)
	}
	return good
}

// liveOutput shows what happens while the check waits. Safe for concurrent use.
type liveOutput struct {
	mu sync.Mutex
	w  io.Writer
}

func (o *liveOutput) say(who, words string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	fmt.Fprintf(o.w, "  %s: %s\n", who, words)
}

// showStrangers shows each new refusal of an adapter that could belong to more than one line, or to none, until ctx
// ends.
func (o *liveOutput) showStrangers(ctx context.Context, d *daemon.Daemon) {
	shown := ""
	for pause(ctx) {
		last, ok := d.Refusal()
		if words := rejected(last.From, last.User, last.Why); ok && !last.Challenged && words != shown {
			shown = words
			o.say("an adapter of no known line", words)
		}
	}
}

// pause waits for a moment before the next look. It returns false if ctx ends first.
func pause(ctx context.Context) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(50 * time.Millisecond):
		return true
	}
}

// rejected says from where and why an adapter was refused.
func rejected(from netip.AddrPort, user, why string) string {
	return fmt.Sprintf("NOT registered: refused, from %s as user %q: %s", from, sanitize.Text(user, maxCell), why)
}

// awaitRegistrations waits until ctx ends, or until the adapter and the line have each been registered or refused. An
// adapter that was refused sends the same again, and a service that refused the line answers the same again. But an
// adapter that was told to correct its REGISTER (RFC 3261 section 10.2.8) does so at once, and has settleTime for that.
// Each new refusal is shown.
func awaitRegistrations(ctx context.Context, l *daemon.Line, out *liveOutput) {
	c, line := l.Config(), l.SIP()
	var refused time.Time
	adapter, service := "", ""
	for {
		s := line.Status()
		if !s.Bound && !s.Refusal.At.IsZero() && !s.Refusal.Challenged {
			if words := rejected(s.Refusal.From, s.Refusal.User, s.Refusal.Why); words != adapter {
				adapter = words
				out.say(c.Name, "adapter "+words)
			}
			if refused.IsZero() {
				refused = time.Now()
			}
		}
		if words := sanitize.Text(s.Service.Problem, maxCell); words != "" && words != service {
			service = words
			out.say(c.Name, "service: "+words)
		}
		adapterKnown := s.Bound || !refused.IsZero() && time.Since(refused) >= settleTime
		if adapterKnown && (!c.Service.Register || s.Service.Registered || s.Service.Refused) || !pause(ctx) {
			return
		}
	}
}

// look waits for both registrations, at most for patience, and then queries the adapter and the contact.
func look(ctx context.Context, l *daemon.Line, patience time.Duration, out *liveOutput) finding {
	f := finding{good: true}
	c, line := l.Config(), l.SIP()
	deadline, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	awaitRegistrations(deadline, l, out)
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
		f.adapter, f.good = rejected(s.Refusal.From, s.Refusal.User, s.Refusal.Why), false
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

// readEvery is how often the contact and its loop-current input are read while the loop is opened by hand: about thirty
// times in an interruption.
const readEvery = 25 * time.Millisecond

// levelLog records each change of a level, that of the contact or that of its loop-current input.
type levelLog struct {
	none    bool // it cannot be read
	changes []string
	// The first opening that was seen: it began between closedAt and openFrom, and ended between openUntil and
	// closedAgain. Zero means not seen.
	closedAt, openFrom, openUntil, closedAgain time.Time
}

// watch reads the level until ctx ends. It calls begun after the first reading, or at once if there is nothing to read.
func (l *levelLog) watch(ctx context.Context, read func(context.Context) (relay.Level, error), begun func()) {
	defer begun()
	tick := time.NewTicker(readEvery)
	defer tick.Stop()
	began := time.Now()
	last := ""
	for {
		asked := time.Now()
		level, err := read(ctx)
		if errors.Is(err, relay.ErrNoSense) || errors.Is(err, relay.ErrNoRead) {
			l.none = true
			return
		}
		words := "not readable"
		if err == nil {
			words = currentWords(level)
			l.note(level, asked, time.Now())
		}
		if words != last && ctx.Err() == nil {
			l.changes = append(l.changes, fmt.Sprintf("%s at %d ms", words, time.Since(began).Milliseconds()))
			last = words
		}
		begun()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// note takes a reading that was asked for and answered at these instants.
func (l *levelLog) note(level relay.Level, asked, answered time.Time) {
	switch {
	case !l.closedAgain.IsZero():
	case level == relay.LevelOpen && l.openFrom.IsZero():
		l.openFrom, l.openUntil = answered, asked
	case level == relay.LevelOpen:
		l.openUntil = asked
	case level == relay.LevelClosed && l.openFrom.IsZero():
		l.closedAt = asked
	case level == relay.LevelClosed:
		l.closedAgain = answered
	}
}

// opening returns the limits between which the length of the opening lies. ok is false if its begin and its end were
// not both seen.
func (l *levelLog) opening() (least, most time.Duration, ok bool) {
	if l.closedAt.IsZero() || l.closedAgain.IsZero() {
		return 0, 0, false
	}
	return max(0, l.openUntil.Sub(l.openFrom)), l.closedAgain.Sub(l.closedAt), true
}

func (l *levelLog) words() string {
	if l.none {
		return "this line has no loop-current input; watch the lamp, or a meter across the pair"
	}
	return strings.Join(l.changes, ", ")
}

// lengthTolerance is how much longer or shorter than asked an opening may be. Our own number: the relay moves within
// 10 ms (deploy/relay.md), and a loop-current input may smooth what it shows.
const lengthTolerance = 50 * time.Millisecond

// lengthWords compares the length that was asked for with what could be measured. good is false if they differ.
func lengthWords(asked, took time.Duration, contact, current *levelLog) (words string, good bool) {
	good = true
	var all []string
	for _, x := range []struct {
		of   *levelLog
		name string
	}{{contact, "the contact read open"}, {current, "no loop current"}} {
		least, most, ok := x.of.opening()
		if !ok {
			continue
		}
		text := fmt.Sprintf("%s for %d to %d ms", x.name, least.Milliseconds(), most.Milliseconds())
		switch {
		case most+lengthTolerance < asked:
			text, good = text+", which is TOO SHORT", false
		case least-lengthTolerance > asked:
			text, good = text+", which is TOO LONG", false
		}
		all = append(all, text)
	}
	switch {
	case took > 0:
		all = append(all, fmt.Sprintf("the controller confirmed the close %d ms after the opening", took.Milliseconds()))
	case len(all) == 0:
		all = append(all, "not measured, because neither the contact nor a loop-current input showed it; measure it with a meter")
	}
	words = fmt.Sprintf("asked for %d ms; %s", asked.Milliseconds(), strings.Join(all, "; "))
	if !good {
		words += "; compare the unit and the limit of the controller's timer with those in the file"
	}
	return words, good
}

// pulse asks the user for consent, opens the loop of an idle line once and reports the result.
func (e *env) pulse(ctx context.Context, l *daemon.Line) bool {
	policy := l.Config().Policy
	window := max(policy.CallbackWindow, supervision.DefaultPolicy().CallbackWindow)
	fmt.Fprintf(e.Out, `Open the loop of %s for %s now? That cuts off whoever is on the line.
Is nobody on it, and has nobody called an emergency number in the last %.0f minutes? The emergency centre may still call back.
Type yes: `, l.Config().Name, policy.Interval, window.Minutes())
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

// openOnce opens the loop of an idle line once and reports the result. Meanwhile it reads the loop-current input, and
// the contact too if its controller ends the opening. Otherwise the daemon ends the opening, and has measured it.
func (e *env) openOnce(ctx context.Context, l *daemon.Line) bool {
	reading, stop := context.WithCancel(ctx)
	var contact, current levelLog
	var watching, begun sync.WaitGroup
	watch := func(log *levelLog, read func(context.Context) (relay.Level, error)) {
		begun.Add(1) // until the level before the opening is known
		watching.Go(func() { log.watch(reading, read, sync.OnceFunc(begun.Done)) })
	}
	if s, ok := l.Contact().(relay.Sensor); ok {
		watch(&current, s.Sense)
	} else {
		current.none = true
	}
	timed := l.Contact().Kind() == relay.KindOneshot
	if r, ok := l.Contact().(relay.Reader); ok && timed {
		watch(&contact, r.Read)
	}
	begun.Wait()
	all := l.OpenByHand(ctx)
	stop()
	watching.Wait()
	opened := false
	var asked, took time.Duration
	for i := range all {
		if all[i].Effect.Kind == supervision.OpenLoop {
			asked = all[i].Effect.Interval
		}
		switch ev := &all[i].Event; {
		case ev.Kind == supervision.LoopOpened:
			opened = true
		case ev.Kind == supervision.LoopClosed && !timed:
			took = max(took, ev.Took)
		}
		fmt.Fprintln(e.Out, "  "+entryText(&all[i]))
	}
	words, known := readContact(ctx, l)
	fmt.Fprintf(e.Out, "contact now: %s\nsense: %s\n", words, current.words())
	if !opened {
		return false
	}
	length, good := lengthWords(asked, took, &contact, &current)
	fmt.Fprintln(e.Out, "length: "+length)
	return known && good
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
