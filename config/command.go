package config

import (
	"fmt"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/command"
)

// Program is a program of the user's own.
type Program struct {
	Path    string        // program: absolute path
	Timeout time.Duration // timeout: of one run
}

// Runs says how a program drives the contact.
type Runs struct {
	Arguments []string      // arguments: templates
	Timed     *TimedProgram // timed:
	Read      bool          // read: the program has the action read
	Sense     bool          // sense: the program has the action sense
}

// TimedProgram says that the program ends each opening.
type TimedProgram struct {
	Unit  time.Duration // unit: whole milliseconds
	Limit time.Duration // limit:
}

var programs = driver{
	name: DriverCommand, controller: "command", contact: "command",
	controllerKey: func(c *Controller) key {
		return optional("command", &c.Command, func() Program { return Program{Timeout: defaultSlowTimeout} },
			func(p *Program) []key {
				return []key{required(value("program", &p.Path, "a path", absolute)), timeout(&p.Timeout)}
			})
	},
	contactKeys: func(c *Contact) []key { return []key{optional("command", &c.Command, fresh[Runs], runsKeys)} },
	complete: func(k *Contact) {
		if k.Command == nil {
			k.Command = &Runs{}
		}
	},
	check:        func(c *Controller) []relay.Fault { return c.Program().Check() },
	checkContact: func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.Command().Check() },
	share: func(_ *decoder, l *Line, at string, unique uniqueCheck) {
		k := &l.Contact
		if k.Command == nil || k.Command.Arguments == nil {
			return
		}
		all := strings.ReplaceAll(fmt.Sprintf("%q", k.Command.Arguments), "{line}", l.Name)
		unique(at+".command.arguments", "command "+k.Controller+" "+all, "the command line of "+k.Controller,
			"it would be the same for both lines: add {line}, or something else that distinguishes the contacts")
	},
	timer: func(k *Contact) *timer {
		if k.Command == nil || k.Command.Timed == nil {
			return nil
		}
		return &timer{"command.timed", max(k.Command.Timed.Unit, time.Millisecond), k.Command.Timed.Limit}
	},
	senses:  func(k *Contact) bool { return k.Command != nil && k.Command.Sense },
	place:   func(k *Contact) string { return "program " + k.Controller },
	raise:   raiseByTimer,
	consent: timerConsent,
	fails:   "the daemon, this machine or the program fails",
	dies:    "If the daemon or the link to the contact fails during an interruption, the loop stays open until somebody closes it",
	timed:   "If the daemon dies during an interruption, the loop closes when the interval ends (at most %v), if the program does what timed promises: to test that, kill the daemon once during an opening. ",
}

func runsKeys(r *Runs) []key {
	return []key{
		literals("arguments", &r.Arguments),
		optional("timed", &r.Timed, fresh[TimedProgram], func(t *TimedProgram) []key {
			return []key{lengthUnit(&t.Unit), required(lengthLimit(&t.Limit))}
		}),
		yesNo("read", &r.Read),
		yesNo("sense", &r.Sense),
	}
}

// Program returns the options of the driver.
func (c *Controller) Program() command.Options {
	o := command.Options{Name: c.Name}
	if c.Command != nil {
		o.Program, o.Timeout = c.Command.Path, c.Command.Timeout
	}
	return o
}

// Command returns the options of the driver for the line's contact.
func (l *Line) Command() command.ContactOptions {
	o := command.ContactOptions{Name: l.Name}
	if r := l.Contact.Command; r != nil {
		o.Arguments, o.Read, o.Sense = r.Arguments, r.Read, r.Sense
		if t := r.Timed; t != nil {
			o.Timed = &command.Timed{Quantum: t.Unit, Limit: t.Limit}
		}
	}
	return o
}
