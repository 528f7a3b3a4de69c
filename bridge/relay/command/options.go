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

// Options are the options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Program is the absolute path of the program. Each connection checks that the program can be started; see
	// [CheckProgram].
	Program string
	// Timeout is how long one run of the program may take: 20 ms to 10 s; 0 means 1 s.
	Timeout time.Duration
	// Poll is the interval at which an idle contact is read, or closed if it cannot be read, by one run of the program
	// for each line: at least 10 ms; 0 means 1 s.
	Poll time.Duration
	// Notify receives the notices, one at a time for each contact. It must not block and must not call the board. Nil
	// discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say which arguments the program gets and what it can do.
type ContactOptions struct {
	// Name is the line's name, for the template word {line}.
	Name string
	// Arguments are templates with the words listed in the package comment. At least one argument must contain
	// {action}. Nil means the four arguments {action}, {line}, {ms} and {seq}. Every user of the machine can read them.
	Arguments []string
	// Timed, if not nil, means that the program ends each opening itself, {ms} milliseconds after its start. The
	// contact is then KindOneshot, otherwise KindNone.
	Timed *Timed
	// Read means that the program has the action read. Otherwise its exit status is the only confirmation.
	Read bool
	// Sense means that the program has the action sense.
	Sense bool
}

// Timed is the program's own timer.
type Timed struct {
	// Quantum is the unit to which openings are rounded up, in whole milliseconds; 0 means 1 ms.
	Quantum time.Duration
	// Limit is the longest opening that may be requested: Quantum to 1 h.
	Limit time.Duration
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("command: setting out of range")

const (
	defaultTimeout = time.Second
	maxLimit       = time.Hour
	maxArgument    = 4096 // bytes of one argument as configured; Linux allows 128 KiB
	maxArguments   = 64
)

func (o Options) withDefaults() (Options, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Poll == 0 {
		o.Poll = controller.DefaultPoll
	}
	switch {
	case !filepath.IsAbs(o.Program) || strings.Contains(o.Program, "\x00"):
		return o, fmt.Errorf("%w: controller %s: program %q; write its absolute path", ErrOptions,
			o.Name, o.Program)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return o, fmt.Errorf("%w: controller %s: timeout %v; allowed are 20ms to 10s", ErrOptions, o.Name, o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return o, fmt.Errorf("%w: controller %s: poll %v; allowed is 10ms or more", ErrOptions, o.Name, o.Poll)
	}
	return o, nil
}

// withDefaults checks the options and fills in the defaults. Its errors show no argument, since an argument may contain
// a secret by mistake.
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

// arguments returns the arguments of one run.
func (o ContactOptions) arguments(r controller.Request) []string {
	var ms, seq uint64
	if r.Op == controller.Open {
		ms, seq = uint64((r.Duration+time.Millisecond-1)/time.Millisecond), uint64(r.Seq)
	}
	return o.fill(r.Op.String(), strconv.FormatUint(ms, 10), strconv.FormatUint(seq, 10))
}

func (o ContactOptions) fill(action, ms, seq string) []string {
	// One pass, so that words in a line's name are not replaced.
	r := strings.NewReplacer("{action}", action, "{line}", o.Name, "{ms}", ms, "{seq}", seq)
	all := make([]string, len(o.Arguments))
	for i, a := range o.Arguments {
		all[i] = r.Replace(a)
	}
	return all
}

// claim returns a name that is unique to the contact.
func (o ContactOptions) claim(program string) string {
	return "command " + program + "\x00" + strings.Join(o.fill("", "", ""), "\x00")
}
