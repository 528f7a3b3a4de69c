package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/pflag"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/tuning"
)

// defaultMaxHolds is the default limit of holds in a session: a quarter of an hour of somebody's time.
const defaultMaxHolds = 25

// trialClient is the part of the running daemon that trials need.
type trialClient interface {
	BeginTrials(ctx context.Context, line string) error
	Ring(ctx context.Context, line string) (call uint64, err error)
	Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (control.Trial, error)
	SaveTrial(ctx context.Context, line string, a control.TrialAnswer) error
	EndTrials(ctx context.Context, line string) error
}

// operator is the person who lifts the handset, holds the call and watches the lamp.
type operator interface {
	// Answer lifts the handset when the line rings, or asks somebody to. The line is about to ring. ctx ends when the
	// call is given up.
	Answer(ctx context.Context, n, most int) error
	// Hold returns when the call is held.
	Hold(ctx context.Context) error
	// Lamp reports whether the hold cleared. It is called only if nothing else shows that.
	Lamp(ctx context.Context) (tuning.Answer, error)
	// RangUp reports whether the adapter rang the line after the interruption.
	RangUp(ctx context.Context) (bool, error)
	// Free returns when the line is on hook again. A hold that stayed, or may have stayed, must be taken back first.
	Free(ctx context.Context, a tuning.Answer) error
}

// tuner makes the trials of one line.
type tuner struct {
	line     string
	session  int64
	plan     tuning.Plan
	earlier  []tuning.Trial
	client   trialClient
	operator operator
	say      func(format string, a ...any)

	began bool // the daemon has begun the session
}

// run makes trials until the session knows enough. It returns what the session knows even with an error.
func (t *tuner) run(ctx context.Context) (tuning.Result, error) {
	s, err := tuning.NewSession(t.plan, t.earlier)
	if err != nil {
		return tuning.Result{}, err
	}
	if _, _, done := s.Next(); done {
		return s.Result(), nil
	}
	if err := t.client.BeginTrials(ctx, t.line); err != nil {
		return s.Result(), err
	}
	t.began = true
	for err == nil && ctx.Err() == nil {
		interval, catch, done := s.Next()
		if done {
			break
		}
		if catch {
			interval = 0
		}
		var made tuning.Trial
		var judged bool
		if made, judged, err = t.trial(ctx, s.Result().Holds+1, interval); judged {
			s.Take(made)
		}
	}
	ending, cancel := context.WithTimeout(context.WithoutCancel(ctx), controlTimeout)
	defer cancel()
	if err == nil {
		err = ctx.Err()
	}
	if ended := t.client.EndTrials(ending, t.line); err == nil {
		err = ended
	}
	return s.Result(), err
}

// trial makes one trial: call, hold, clearing, result. As soon as it is known whether the hold cleared, judged is true,
// even if the session then ends with an error.
func (t *tuner) trial(ctx context.Context, n int, interval time.Duration) (made tuning.Trial, judged bool, err error) {
	made.Interval = interval
	if err := t.ring(ctx, n); err != nil {
		return made, false, err
	}
	if err := t.operator.Hold(ctx); err != nil {
		return made, false, err
	}
	r, err := t.client.Clear(ctx, t.line, interval, t.plan.PulseDiallingOff)
	if err != nil {
		return made, false, err
	}
	made.Measured = time.Duration(r.Measured) * time.Microsecond
	switch {
	case r.Hook == supervision.HookOn.String():
		made.Answer = tuning.Cleared
	case r.Hook == supervision.HookOff.String():
		made.Answer = tuning.Stayed
	case r.Why != "":
		t.say("  this trial does not count: %s", r.Why)
	default:
		if made.Answer, err = t.operator.Lamp(ctx); err != nil {
			return made, false, err
		}
	}
	words := made.Answer.String()
	if made.Answer != tuning.Unknown {
		// Does not name the interval: whoever watches the lamp should have no expectation.
		t.say("  the hold %s", words)
	}
	made.RangUp, err = t.operator.RangUp(ctx)
	keeping, cancel := context.WithTimeout(context.WithoutCancel(ctx), controlTimeout)
	defer cancel()
	if kept := t.client.SaveTrial(keeping, t.line, control.TrialAnswer{Trial: r, Session: t.session, Cleared: words,
		RangUp: made.RangUp}); err == nil {
		err = kept
	}
	if err == nil {
		err = t.operator.Free(ctx, made.Answer)
	}
	return made, true, err
}

// ring calls the line until the call is answered.
func (t *tuner) ring(ctx context.Context, n int) error {
	calling, cancel := context.WithCancel(ctx)
	defer cancel()
	lifted := make(chan error, 1) // one answer, received below
	go func() { lifted <- t.operator.Answer(calling, n, t.plan.MaxHolds) }()
	_, err := t.client.Ring(ctx, t.line)
	if err != nil {
		cancel()
		<-lifted
		return err
	}
	return <-lifted
}

func tune(f *pflag.FlagSet) action {
	path := configFlag(f)
	write := f.Bool("write", false,
		"write the recommended interval and the card's release time into the file, and use the interval from then on")
	dry := f.Bool("dry-run", false, "show what --write would change")
	resume := f.Bool("resume", false, "continue the line's last session")
	pulseOff := f.Bool("pulse-dialling-off", false,
		"pulse dialling is switched off at the adapter, so openings below 250ms may be tried")
	shortest := spanFlag(f, "shortest", supervision.IntervalFloor, "300ms",
		"try no opening shorter than this `TIME`; below 250ms needs --pulse-dialling-off")
	shortest.zero = true
	holds := f.Int("holds", defaultMaxHolds, "ask for at most `N` holds")
	return func(e *env, others []string) int {
		switch {
		case *write && *dry:
			return e.fault("tune: --write and --dry-run exclude each other")
		case *holds < 1 || *holds > 100:
			return e.fault("tune: --holds %d; allowed is 1 to 100", *holds)
		case shortest.Duration < supervision.IntervalFloor && !*pulseOff:
			return e.fault("tune: --shortest %s; openings below %s can be read as dial pulses: switch pulse dialling off at the adapter and add --pulse-dialling-off",
				shortest.Duration, supervision.IntervalFloor)
		}
		c, l, k, code, ok := e.lineClient(*path, others, "tune")
		if !ok {
			return code
		}
		ctx, cancel := e.context()
		defer cancel()
		t := &tuner{line: l.Name, session: time.Now().UnixMilli(), client: k,
			plan: planFor(l, shortest.Duration, *pulseOff, *holds), say: e.say}
		t.operator = &terminalOperator{in: e.input(), say: e.say, line: l.Name}
		if *resume {
			if err := e.earlier(ctx, c, *path, t); err != nil {
				return e.failed(err)
			}
		}
		result, err := t.run(ctx)
		if len(result.Trials) > 0 {
			e.printTuning(result)
		}
		again := ""
		if c.Journal.File != "" && len(result.Trials) > 0 {
			again = fmt.Sprintf("clearback tune %s%s --resume", l.Name, given(f, "write", "dry-run", "resume"))
		}
		switch {
		case err != nil:
			return e.endedEarly(ctx, err, t, again)
		case result.Recommended == 0:
			return ExitFailed
		case *write || *dry:
			ctx, cancelTime := context.WithTimeout(ctx, controlTimeout)
			defer cancelTime()
			return e.writeInterval(ctx, k, *path, l, result.Recommended, result.Release, *dry)
		case again != "":
			fmt.Fprintf(e.Out, "To use it: %s --write\n", again)
		default:
			release := ""
			if result.Release > 0 {
				release = fmt.Sprintf(" and equipment.card_release to %s", result.Release)
			}
			fmt.Fprintf(e.Out, "To use it: set policy.interval of %s to %s%s in %s and restart the daemon. (With a journal, --resume --write would do that.)\n",
				l.Name, result.Recommended, release, *path)
		}
		return ExitOK
	}
}

// endedEarly says why there is no result, and how to continue if trials were recorded.
func (e *env) endedEarly(ctx context.Context, err error, t *tuner, again string) int {
	switch {
	case ctx.Err() != nil:
		fmt.Fprintf(e.Err, "clearback: %s: interrupted; calls from the line pass again\n", t.line)
	case !t.began:
		return e.failed(fmt.Errorf("no session was begun: %w", err))
	default:
		fmt.Fprintf(e.Err, "clearback: %s: the session ended early: %v\n", t.line, err)
	}
	if again != "" {
		fmt.Fprintf(e.Err, "Continue with: %s\n", again)
	}
	return ExitFailed
}

// given returns the flags that were set, as the user would type them, except those in without.
func given(f *pflag.FlagSet, without ...string) string {
	var b strings.Builder
	f.Visit(func(g *pflag.Flag) {
		switch v := g.Value.String(); {
		case slices.Contains(without, g.Name):
		case v == "true":
			fmt.Fprintf(&b, " --%s", g.Name)
		default:
			fmt.Fprintf(&b, " --%s %s", g.Name, shellWord(v))
		}
	})
	return b.String()
}

// shellWord quotes a text so that a shell reads it as one word.
func shellWord(s string) string {
	if s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return !strings.ContainsRune("/._-+:@%,=", r) && !unicode.IsLetter(r) && !unicode.IsDigit(r)
	}) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

func (e *env) say(format string, a ...any) { fmt.Fprintf(e.Out, format+"\n", a...) }

// planFor returns the plan of a tuning session on the line.
func planFor(l *config.Line, shortest time.Duration, pulseDiallingOff bool, holds int) tuning.Plan {
	w := l.Window()
	w.PulseDialling = w.PulseDialling && !pulseDiallingOff
	return tuning.Plan{
		Window: w, Shortest: shortest, MaxHolds: holds, PulseDiallingOff: pulseDiallingOff,
		Random: rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64())),
	}
}

// earlier reads the trials of the line's last session from the journal.
func (e *env) earlier(ctx context.Context, c *config.Config, path string, t *tuner) error {
	if c.Journal.File == "" {
		return fmt.Errorf("%s has no journal (journal.file: none), so no trials were kept", path)
	}
	r, err := journal.OpenReader(c.Journal.File)
	if err != nil {
		return err
	}
	defer r.Close()
	kept, err := r.Trials(ctx, t.line)
	if err != nil {
		return err
	}
	if len(kept) == 0 {
		return fmt.Errorf("the journal has no trials of %s; begin without --resume", t.line)
	}
	t.session = kept[0].Session
	for _, k := range kept {
		answer := map[journal.Answer]tuning.Answer{journal.AnswerCleared: tuning.Cleared,
			journal.AnswerStayed: tuning.Stayed}[k.Cleared]
		t.earlier = append(t.earlier, tuning.Trial{Interval: k.Asked, Measured: k.Measured, Answer: answer,
			RangUp: k.RangUp})
	}
	e.say("%s: continuing the session of %s, %d trials", t.line, time.UnixMilli(t.session).Format("2 January 15:04"),
		len(kept))
	return nil
}

func (e *env) printTuning(r tuning.Result) {
	for _, s := range r.Histogram(width(e.Out)) {
		e.say("%s", s)
	}
	for _, s := range r.Window.Lines() {
		if strings.HasPrefix(s, "Recommended:") {
			break // the file's recommendation; that of the trials follows
		}
		e.say("%s", s)
	}
	e.say("%s", r.Text)
}

// terminalOperator is an operator at a terminal.
type terminalOperator struct {
	in   *bufio.Reader
	say  func(format string, a ...any)
	line string
}

// errInput is the error of a question that got no answer.
var errInput = errors.New("no answer came; run it on a terminal")

// ask asks a question and returns the first letter of the answer in lower case, or "" for Enter alone.
func (p *terminalOperator) ask(ctx context.Context, format string, a ...any) (string, error) {
	p.say(format, a...)
	s, err := readLine(ctx, p.in)
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case err != nil:
		return "", errInput
	}
	return strings.ToLower(s), nil
}

// readLine reads a line of the user's input and removes the white space around it. It also returns when ctx ends.
func readLine(ctx context.Context, in *bufio.Reader) (string, error) {
	return inputOr(ctx, func() (string, error) {
		s, err := in.ReadString('\n')
		return strings.TrimSpace(s), err
	})
}

// inputOr returns what read returns, or an error when ctx ends; read then runs on.
func inputOr(ctx context.Context, read func() (string, error)) (string, error) {
	type line struct {
		s   string
		err error
	}
	// Buffered: the reader may still be blocked on the input when inputOr has returned.
	got := make(chan line, 1)
	go func() {
		s, err := read()
		got <- line{s, err}
	}()
	select {
	case g := <-got:
		return g.s, g.err
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// Answer implements operator.
func (p *terminalOperator) Answer(_ context.Context, n, most int) error {
	p.say("Hold %d of at most %d. %s is being called: lift when it rings; you will hear a tone.", n, most, p.line)
	return nil
}

// Hold implements operator.
func (p *terminalOperator) Hold(ctx context.Context) error {
	_, err := p.ask(ctx, "  Press the hold key, put the handset down, and check that the lamp winks. Then press Enter.")
	return err
}

// Lamp implements operator.
func (p *terminalOperator) Lamp(ctx context.Context) (tuning.Answer, error) {
	for {
		s, err := p.ask(ctx, "  Did the lamp go out? y, n, or ? if you cannot tell:")
		if err != nil {
			return tuning.Unknown, err
		}
		switch {
		case strings.HasPrefix(s, "y"):
			return tuning.Cleared, nil
		case strings.HasPrefix(s, "n"):
			return tuning.Stayed, nil
		case s == "?":
			return tuning.Unknown, nil
		}
	}
}

// RangUp implements operator.
func (p *terminalOperator) RangUp(ctx context.Context) (bool, error) {
	s, err := p.ask(ctx, "  Did the line ring after the opening, without a caller? y, or Enter for no:")
	return strings.HasPrefix(s, "y"), err
}

// Free implements operator.
func (p *terminalOperator) Free(ctx context.Context, a tuning.Answer) error {
	how := "The line is still held: take"
	switch a {
	case tuning.Cleared:
		return nil
	case tuning.Unknown:
		how = "If the lamp is still lit, take"
	}
	_, err := p.ask(ctx, "  %s the call back at a telephone and hang up, so that the lamp goes out. Then press Enter.",
		how)
	return err
}
