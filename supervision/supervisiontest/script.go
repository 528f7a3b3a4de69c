package supervisiontest

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"clearback/supervision"
)

// A Block is one group of commands and the transcript that it should give. A script consists of blocks with an empty
// line between them. Within a block, a line of four hyphens separates the commands from the transcript:
//
//	# A comment.
//	policy probe_trusted steps=1s,1.3s
//	after 2s
//	call-arrived call=1
//	----
//	+2s offer-call call=1
//	deadline never
//
// A command is an event in its text form, or
//
//	policy [KEY[=VALUE]...]       a new line at rest; the keys are those of the configuration, with their defaults
//	set-policy [KEY[=VALUE]...]   other settings for the present line
//	after DURATION                let time pass; the machine is called at each deadline on the way
//
// The transcript has a line for each effect and for each deadline that passed (time-passed), with its time, and then
// the next deadline.
type Block struct {
	Comments []string
	Commands []string
	Want     string
}

const parting = "----"

// ParseScript splits a script into its blocks.
func ParseScript(text string) ([]Block, error) {
	var blocks []Block
	for n, part := range strings.Split(strings.TrimSpace(text), "\n\n") {
		var b Block
		head, want, parted := strings.Cut("\n"+part+"\n", "\n"+parting+"\n")
		for line := range strings.Lines(head) {
			line = strings.TrimSpace(line)
			switch {
			case line == "":
			case strings.HasPrefix(line, "#"):
				b.Comments = append(b.Comments, line)
			default:
				b.Commands = append(b.Commands, line)
			}
		}
		if !parted && len(b.Commands) > 0 {
			return nil, fmt.Errorf("script: block %d has commands and no line %q; add one after them", n+1, parting)
		}
		b.Want = want
		blocks = append(blocks, b)
	}
	return blocks, nil
}

// FormatScript is the inverse of ParseScript.
func FormatScript(blocks []Block) string {
	var parts []string
	for _, b := range blocks {
		lines := append(append([]string(nil), b.Comments...), b.Commands...)
		if len(b.Commands) > 0 {
			lines = append(lines, parting)
		}
		parts = append(parts, strings.TrimRight(strings.Join(lines, "\n")+"\n"+b.Want, "\n"))
	}
	return strings.Join(parts, "\n\n") + "\n"
}

// RunScript runs a script and returns it with the resulting transcripts. It returns an error if an invariant breaks.
func RunScript(blocks []Block, build func(supervision.Policy) Stepper) ([]Block, error) {
	p := player{build: build}
	p.begin(supervision.DefaultPolicy())
	done := make([]Block, len(blocks))
	for i, b := range blocks {
		p.out.Reset()
		for _, command := range b.Commands {
			if err := p.command(command); err != nil {
				return nil, fmt.Errorf("script: block %d, %q: %w", i+1, command, err)
			}
		}
		if len(b.Commands) > 0 {
			fmt.Fprintf(&p.out, "deadline %s\n", p.deadline)
		}
		done[i] = Block{Comments: b.Comments, Commands: b.Commands, Want: p.out.String()}
	}
	return done, nil
}

type player struct {
	build    Build
	machine  Stepper
	checker  *Checker
	now      supervision.Instant
	deadline supervision.Instant
	out      strings.Builder
}

func (p *player) begin(policy supervision.Policy) {
	p.machine, p.checker = p.build(policy), NewChecker(policy)
	p.now, p.deadline = 0, supervision.Never
}

func (p *player) command(s string) error {
	word, rest, _ := strings.Cut(s, " ")
	switch word {
	case "policy":
		policy, err := parsePolicy(rest)
		if err != nil {
			return err
		}
		p.begin(policy)
		return nil
	case "set-policy":
		policy, err := parsePolicy(rest)
		if err != nil {
			return err
		}
		setter, ok := p.machine.(PolicySetter)
		if !ok {
			return fmt.Errorf("this machine has no SetPolicy")
		}
		p.deadline = setter.SetPolicy(p.now, policy)
		p.checker.SetPolicy(p.now, policy)
		return nil
	case "after":
		d, err := time.ParseDuration(rest)
		if err != nil {
			return err
		}
		return p.pass(p.now.Add(d))
	}
	ev, err := supervision.ParseEvent(s)
	if err != nil {
		return err
	}
	return p.step(ev)
}

// pass lets time pass until the given instant, with TimePassed at each deadline on the way.
func (p *player) pass(until supervision.Instant) error {
	for p.deadline <= until {
		p.now = max(p.now, p.deadline)
		fmt.Fprintf(&p.out, "%s time-passed\n", p.now)
		if err := p.step(supervision.Event{Kind: supervision.TimePassed}); err != nil {
			return err
		}
	}
	p.now = until
	return nil
}

func (p *player) step(ev supervision.Event) error {
	effects, deadline := p.machine.Step(p.now, ev)
	p.deadline = deadline
	for _, ef := range effects {
		fmt.Fprintf(&p.out, "%s %s\n", p.now, ef)
	}
	broken := p.checker.Observe(&Moment{Now: p.now, Event: ev, Effects: effects, Deadline: deadline})
	if broken != nil {
		return &broken[0]
	}
	return nil
}

// parsePolicy parses a policy and checks it.
func parsePolicy(s string) (supervision.Policy, error) {
	p := supervision.DefaultPolicy()
	durations := map[string]*time.Duration{
		"interval": &p.Interval, "lead": &p.Lead, "guard_time": &p.GuardTime,
		"onhook_recognition": &p.OnHookRecognition,
		"max_interval":       &p.MaxInterval, "flash_max": &p.FlashMax, "callback_window": &p.CallbackWindow,
		"watch":     &p.Watch,
		"listening": &p.Listening,
	}
	flags := map[string]*bool{"life_safety": &p.LifeSafety, "probe_trusted": &p.ProbeTrusted,
		"sense_trusted": &p.SenseTrusted}
	for _, word := range strings.Fields(s) {
		key, value, valued := strings.Cut(word, "=")
		var err error
		switch {
		case flags[key] != nil:
			*flags[key] = true
			if valued {
				*flags[key], err = strconv.ParseBool(value)
			}
		case durations[key] != nil:
			*durations[key], err = time.ParseDuration(value)
		case key == "repeats":
			p.Repeats, err = strconv.Atoi(value)
		case key == "openings_per_minute":
			p.OpeningsPerMinute, err = strconv.Atoi(value)
		case key == "steps":
			for _, step := range strings.Split(value, ",") {
				d, bad := time.ParseDuration(step)
				if bad != nil {
					err = bad
				}
				p.Steps = append(p.Steps, d)
			}
		default:
			err = fmt.Errorf("no such key")
		}
		if err != nil {
			return p, fmt.Errorf("policy %q: %w", word, err)
		}
	}
	if faults := p.Check(); len(faults) > 0 {
		return p, fmt.Errorf("policy: %s", faults[0])
	}
	return p, nil
}
