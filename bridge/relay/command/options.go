package command

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Program is the absolute path of the program. That it can be started is seen at each connection; see
	// [CheckProgram].
	Program string
	// Timeout is how long one run of the program may take. 20 ms to 10 s; 0 means 1 s.
	Timeout time.Duration
	// Poll is the pace at which a contact is read when nothing else happens, by one run of the program for each line;
	// one that cannot be read is closed. At least 10 ms; 0 means 10 s.
	Poll time.Duration
	// Notify receives notices, never two at a time for one contact. It must not block and must not call the board. Nil:
	// none.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. Only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now replaces the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say what the program is told and what it can do.
type ContactOptions struct {
	// Name is the line's name: the word {line}.
	Name string
	// Arguments are templates, see the package's words; at least {action} must be among them. Nil: {action} {line} {ms}
	// {seq}, each an argument. Every user of the machine can see them.
	Arguments []string
	// Timed, if not nil: the program ends each opening by itself, {ms} after its beginning. The contact is then
	// KindOneshot, else KindNone.
	Timed *Timed
	// Read: the program knows the action read. Without it what it says of open and close has to do.
	Read bool
	// Sense: the program knows the action sense.
	Sense bool
}

// Timed is the program's own timer.
type Timed struct {
	// Quantum is what openings are rounded up to: whole milliseconds; 0 means 1 ms.
	Quantum time.Duration
	// Limit is the longest opening that will be asked for, Quantum to 1 h.
	Limit time.Duration
}

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("command: setting out of range")

const (
	defaultTimeout = time.Second
	defaultPoll    = 10 * time.Second
	maxLimit       = time.Hour
	maxArgument    = 4096 // bytes of one argument as configured; the system's own limit is 128 KiB on Linux
	maxArguments   = 64
)

func (o Options) withDefaults() (Options, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Poll == 0 {
		o.Poll = defaultPoll
	}
	switch {
	case !filepath.IsAbs(o.Program) || strings.Contains(o.Program, "\x00"):
		return o, fmt.Errorf("%w: controller %s: program %q; write its whole path, beginning with /", ErrOptions,
			o.Name, o.Program)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return o, fmt.Errorf("%w: controller %s: timeout %v; allowed are 20ms to 10s", ErrOptions, o.Name, o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return o, fmt.Errorf("%w: controller %s: poll %v; allowed is 10ms or more", ErrOptions, o.Name, o.Poll)
	}
	return o, nil
}

// withDefaults checks; errors show no argument, since somebody may have put there what does not belong there.
func (o ContactOptions) withDefaults() (ContactOptions, error) {
	bad := func(format string, a ...any) (ContactOptions, error) {
		return o, fmt.Errorf("%w: line %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	if o.Arguments == nil {
		o.Arguments = []string{"{action}", "{line}", "{ms}", "{seq}"}
	}
	if len(o.Arguments) > maxArguments {
		return bad("%d arguments; allowed are %d", len(o.Arguments), maxArguments)
	}
	for i, a := range o.Arguments {
		if len(a) > maxArgument || strings.Contains(a, "\x00") {
			return bad("argument %d: %d bytes; allowed are %d, and no zero byte", i+1, len(a), maxArgument)
		}
		for _, w := range word.FindAllString(a, -1) {
			if !slices.Contains(words, w) {
				return bad("argument %d: the word %s is unknown; known are %s", i+1, w, strings.Join(words, ", "))
			}
		}
	}
	has := func(w string) bool {
		return slices.ContainsFunc(o.Arguments, func(a string) bool { return strings.Contains(a, w) })
	}
	if !has("{action}") {
		return bad("no argument has the word {action}, so open and close would be the same")
	}
	if o.Timed == nil {
		return o, nil
	}
	t := *o.Timed
	if t.Quantum == 0 {
		t.Quantum = time.Millisecond
	}
	switch {
	case !has("{ms}"):
		return bad("timed, but no argument has the word {ms}")
	case t.Quantum < time.Millisecond || t.Quantum%time.Millisecond != 0:
		return bad("timed: quantum %v; allowed are whole milliseconds, 1 or more", t.Quantum)
	case t.Limit < t.Quantum || t.Limit > maxLimit:
		return bad("timed: limit %v; allowed are %v to %v", t.Limit, t.Quantum, maxLimit)
	}
	o.Timed = &t
	return o, nil
}

var (
	word  = regexp.MustCompile(`\{[a-z]+\}`)
	words = []string{"{action}", "{line}", "{ms}", "{seq}"}
)

// arguments are those of one run.
func (o ContactOptions) arguments(r controller.Request) []string {
	var ms, seq uint64
	if r.Op == controller.Open {
		ms, seq = uint64((r.Duration+time.Millisecond-1)/time.Millisecond), uint64(r.Seq)
	}
	return o.fill(r.Op.String(), strconv.FormatUint(ms, 10), strconv.FormatUint(seq, 10))
}

func (o ContactOptions) fill(action, ms, seq string) []string {
	r := strings.NewReplacer("{action}", action, "{line}", o.Name, "{ms}", ms, "{seq}", seq) // one pass: a line's name is no template
	all := make([]string, len(o.Arguments))
	for i, a := range o.Arguments {
		all[i] = r.Replace(a)
	}
	return all
}

// claim names the contact: what tells it from others.
func (o ContactOptions) claim(program string) string {
	return "command " + program + "\x00" + strings.Join(o.fill("", "", ""), "\x00")
}
