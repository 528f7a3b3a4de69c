package command

import (
	"cmp"
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
	maxArgument    = 4096 // bytes of one argument as configured; Linux allows 128 KiB
	maxArguments   = 64
)

func (o Options) withDefaults() (Options, error) {
	faults := o.Check()
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	return o, relay.FaultError(ErrOptions, "controller "+o.Name, faults)
}

// Check returns what is wrong with the options.
func (o Options) Check() []relay.Fault {
	f := relay.CheckTimes(o.Timeout, o.Poll)
	if !filepath.IsAbs(o.Program) || strings.Contains(o.Program, "\x00") {
		f.Add("program", "%q is not an absolute path; write it with a leading /", o.Program)
	}
	return f
}

// Check returns what is wrong with the options of a contact. It shows no argument, since an argument may contain a
// secret by mistake.
func (o ContactOptions) Check() []relay.Fault {
	var f relay.Faults
	if len(o.Arguments) > maxArguments {
		f.Add("arguments", "%d arguments are too many; at most %d are allowed", len(o.Arguments), maxArguments)
	}
	for i, a := range o.Arguments {
		key := fmt.Sprintf("arguments[%d]", i)
		if len(a) > maxArgument || strings.Contains(a, "\x00") {
			f.Add(key, "the argument has %d bytes; at most %d are allowed, and no zero byte", len(a), maxArgument)
		}
		for _, w := range word.FindAllString(a, -1) {
			if !slices.Contains(words, w) {
				f.Add(key, "the word %s is unknown; allowed: %s", w, strings.Join(words, ", "))
			}
		}
	}
	if o.Arguments != nil && !o.has("{action}") {
		f.Add("arguments", "none contains {action}, so open and close would be the same command; add {action}")
	}
	t := o.Timed
	if t == nil {
		return f
	}
	if o.Arguments != nil && !o.has("{ms}") {
		f.Add("arguments", "none contains {ms}, but with timed the program needs the length; add {ms}")
	}
	controller.CheckLength(&f, "timed", t.unit(), t.Limit)
	return f
}

func (o ContactOptions) has(w string) bool { return controller.Contains(w, o.Arguments...) }

func (t *Timed) unit() time.Duration { return cmp.Or(t.Quantum, time.Millisecond) }

// withDefaults checks the options and fills in the defaults.
func (o ContactOptions) withDefaults() (ContactOptions, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return o, err
	}
	if o.Arguments == nil {
		o.Arguments = []string{"{action}", "{line}", "{ms}", "{seq}"}
	}
	if o.Timed != nil {
		o.Timed = &Timed{Quantum: o.Timed.unit(), Limit: o.Timed.Limit}
	}
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
