package alarms

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/relay"
	"clearback/bridge/relay/command"
	"clearback/supervision/alarm"
	"clearback/supervision/sanitize"
)

// ProgramOptions are a user's program.
type ProgramOptions struct {
	// Path is the program's absolute path.
	Path string
	// Arguments are passed unchanged; at most 64, of at most 4096 bytes each. They are never shown.
	Arguments []string
}

const (
	exitTryAgain      = 75  // EX_TEMPFAIL (sysexits.h)
	exitNotExecutable = 126 // POSIX, "Exit Status for Commands": found, but cannot be executed
	exitNotFound      = 127 // the same: not found
)

// Check returns what is wrong with the options. It does not look for the program.
func (o ProgramOptions) Check() []relay.Fault {
	var f relay.Faults
	if !filepath.IsAbs(o.Path) || strings.Contains(o.Path, "\x00") {
		f.Add("path", "%q is not an absolute path; write it with a leading /", o.Path)
	}
	if len(o.Arguments) > 64 {
		f.Add("arguments", "%d arguments are too many; at most 64 are allowed", len(o.Arguments))
	}
	for i, a := range o.Arguments {
		if len(a) > 4096 || strings.Contains(a, "\x00") {
			f.Add(fmt.Sprintf("arguments[%d]", i), "at most 4096 bytes are allowed, and no zero byte")
		}
	}
	return f
}

// Program hands messages to a user's program, one run each. The program gets the message as JSON on standard input and,
// besides the environment that package command describes, the variables CLEARBACK_ID, CLEARBACK_KIND, CLEARBACK_SITE,
// CLEARBACK_SUBJECT and CLEARBACK_URGENT (true or false). Its exit status is the answer: 0 means accepted and 75
// (EX_TEMPFAIL) means try again. 126 and 127, by which a shell reports that a program could not be started, and an end
// by a signal mean try again too. Any other status means refused for good. A run that takes longer than an attempt may
// is killed with its process group.
type Program struct {
	opt     ProgramOptions
	program *command.Program
	hidden  []string // arguments that may be secrets
}

// NewProgram returns a way out with the given options, or [ErrOptions].
func NewProgram(o ProgramOptions) (*Program, error) {
	if faults := o.Check(); len(faults) > 0 {
		return nil, relay.FaultError(ErrOptions, "program", faults)
	}
	short := func(a string) bool { return len(a) < 8 } // so short is no secret
	hidden := slices.DeleteFunc(slices.Clone(o.Arguments), short)
	return &Program{opt: o, program: command.NewProgram(o.Path), hidden: hidden}, nil
}

// Send runs the program.
func (w *Program) Send(ctx context.Context, m *alarm.Message) (answer string, err error) {
	input, err := json.Marshal(m)
	if err != nil {
		return "", &Permanent{fmt.Errorf("program: %w", err)}
	}
	result, err := w.program.Run(ctx, w.opt.Arguments, []string{"CLEARBACK_ID=" + m.ID,
		"CLEARBACK_KIND=" + fmt.Sprint(m.Kind), "CLEARBACK_URGENT=" + strconv.FormatBool(m.Urgent),
		"CLEARBACK_SITE=" + sanitize.Text(m.Site, 200), "CLEARBACK_SUBJECT=" + sanitize.Text(m.Subject, 200)}, input)
	if err != nil {
		return "", fmt.Errorf("program: %s", fit(err.Error(), w.hidden...))
	}
	answer = fit(strings.TrimSpace(fmt.Sprintf("exit status %d %s %s", result.Status, result.Output, result.Problem)),
		w.hidden...)
	switch result.Status {
	case 0:
		return answer, nil
	case exitTryAgain, exitNotExecutable, exitNotFound:
		return "", fmt.Errorf("program %s: %s", w.opt.Path, answer)
	}
	return "", &Permanent{fmt.Errorf("program %s refused the message: %s", w.opt.Path, answer)}
}
