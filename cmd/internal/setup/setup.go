// Package setup asks a person for what a first configuration file needs, proves each answer on the real network before
// the next question, and writes the file. It makes no call. It opens a loop only by the function that it is given, and
// only after consent.
//
//	setup.go      the steps, in the order of the questions
//	questions.go  a question, the check of its answer, and where answers come from
//	proofs.go     what proves the answers: names, sockets, and the daemon with one line
//	answers.go    what is kept until the end: answers without secrets; secrets in the files where they stay
//	text.go       the text of the configuration file
//
// Contacts other than those of Modbus TCP are set up by hand: most need devices that the service unit hides, so that a
// proof here would show nothing about the service.
package setup

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"clearback/bridge/control"
	"clearback/bridge/daemon"
	"clearback/config"
	"clearback/config/file"
	"clearback/supervision"
)

// Person answers the questions.
type Person interface {
	// Ask shows a prompt and returns the answer without the white space around it. A secret answer is not shown.
	Ask(ctx context.Context, prompt string, secret bool) (string, error)
	// Say shows one or more lines.
	Say(format string, a ...any)
}

// Options are the options of [Run].
type Options struct {
	// Path is the configuration file to write.
	Path string
	// Unedited is a file. If Path has the same text, it is replaced: it is the first file of the package.
	Unedited string
	// Answers and Secrets are answers for the first line, by the keys of the questions. Run removes those that it uses.
	Answers, Secrets map[string]string
	// Batch: nothing is asked. A missing or wrong answer is an error, which names its flag.
	Batch bool
	// Wait is how long an adapter may take to register.
	Wait time.Duration
	// Credential returns the file from which the service unit gets a credential, "" if the configuration file names
	// secrets by their paths.
	Credential func(name string) string
	// Start starts the daemon. Hurry returns the context whose end hurries its end: see [daemon.Daemon.Shutdown].
	Start func(c *config.Config) (*daemon.Daemon, error)
	Hurry func() (context.Context, context.CancelFunc)
	// Contact closes the line's contact, reads it, and tries its opening command if that can be done without opening.
	Contact func(ctx context.Context, l *daemon.Line) (words string, good bool)
	// Open opens the line's loop once, and says what came of it.
	Open func(ctx context.Context, l *daemon.Line) (good bool)
}

// setup is one run.
type setup struct {
	o        Options
	person   Person
	line     int               // the line that is being asked about, from 0
	kept     map[string]string // the answers and what is proved, by the names of [setup.key]
	earlier  map[string]string // answers that a proof has refused; they are offered again
	secrets  map[string]string // by the names of [setup.key]
	unedited []byte            // the text of the file that may be replaced, nil if there is no file
}

// Run asks, proves and writes. After an error, another Run continues behind the last proved answer. If a contact is not
// known to be closed, the error wraps [daemon.ErrNotClosed].
func Run(ctx context.Context, o Options, p Person) (err error) {
	s := &setup{o: o, person: p, earlier: map[string]string{}, secrets: map[string]string{}}
	if err := s.begin(ctx); err != nil {
		return err
	}
	if err := inOrder(ctx, s.country, s.server, s.address); err != nil {
		return err
	}
	for more := true; more; s.line++ {
		if err := inOrder(ctx, s.name, s.account, s.adapter, s.relay); err != nil {
			return err
		}
		if more, err = s.another(ctx); err != nil {
			return err
		}
	}
	return s.finish()
}

func inOrder(ctx context.Context, steps ...func(context.Context) error) error {
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// begin reads what an earlier run has kept, and makes sure that the file can be written.
func (s *setup) begin(ctx context.Context) error {
	if err := ownFolder(filepath.Dir(s.o.Path)); err != nil {
		return err
	}
	old, err := file.Read(s.o.Path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	there := err == nil
	c, _ := config.Parse(s.o.Path, []byte(s.text(0, 1, noContact, asCredential)), config.Env{})
	if unedited, err := file.Read(s.o.Unedited); there && err == nil && bytes.Equal(old, unedited) {
		s.unedited = old
	} else if there {
		c, _, _ = config.LoadForClosing(s.o.Path)
	}
	if c != nil && c.Control.Socket != "" {
		if _, err := control.NewClient(c.Control.Socket).Daemon(ctx); err == nil {
			return fmt.Errorf("the daemon is running with %s, and setup needs its ports; stop it first: systemctl stop clearback",
				s.o.Path)
		}
	}
	if there && s.unedited == nil {
		return fmt.Errorf("%s exists, and setup never changes a file that somebody has written; add a line by hand (deploy/adding-a-line.md), name another file with --config, or move this one away",
			s.o.Path)
	}
	return s.restore()
}

func (s *setup) country(ctx context.Context) error {
	country, err := s.ask(ctx, question{key: "country", prompt: "Country",
		term: "The country decides which numbers are emergency numbers. Two letters (ISO 3166-1), such as GB."})
	if err != nil {
		return err
	}
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{Country: country})
	if err == nil {
		s.person.Say("  Emergency numbers: %s.", strings.Join(numbers.List(), ", "))
	}
	return err
}

func (s *setup) server(ctx context.Context) error {
	_, err := s.ask(ctx, question{key: "server", prompt: "Server of the service",
		term: "The service is your PBX or provider. Its server (registrar), such as pbx.millrace.example.",
		check: func(v string) (string, error) {
			if !strings.HasPrefix(v, "sip:") {
				v = "sip:" + v
			}
			_, err := routeTo(ctx, v)
			return v, err
		}})
	return err
}

// address finds the daemon's two sockets.
func (s *setup) address(ctx context.Context) error {
	route, err := routeTo(ctx, s.kept["server"])
	if err != nil {
		return err
	}
	var service netip.AddrPort
	v, err := s.ask(ctx, question{key: "address", prompt: "Address of this machine", usual: route.String(),
		term: "The address at which the adapter reaches this machine, with a port if not 5060.",
		check: func(v string) (string, error) {
			adapter, other, err := sockets(v, route)
			service = other
			return adapter.String(), err
		}})
	if err != nil {
		return err
	}
	s.person.Say("  Towards the adapter this machine is %s, towards the service %s.", v, service)
	return s.keep("service-side", service.String())
}

func (s *setup) name(ctx context.Context) error {
	_, err := s.ask(ctx, question{key: "line", prompt: "Name of the line", usual: fmt.Sprintf("line-%d", s.line+1),
		term: "The name is for log and commands. Small letters, digits and -, such as box-office.",
		check: func(v string) (string, error) {
			for key, suffix := range suffixes {
				if path := s.secretFile(v + suffix); s.kept[s.key(key)] == "" && exists(path) {
					return "", fmt.Errorf("%s is there already, and may be a secret of another line; choose another name, or delete that file",
						path)
				}
			}
			return v, nil
		}})
	return err
}

// account asks for the line's account until the service accepts it.
func (s *setup) account(ctx context.Context) error {
	for {
		_, err := s.ask(ctx, question{key: "user", prompt: "User at the service",
			term: "The line's account at the service, often its number, such as 5550101."})
		if err != nil {
			return err
		}
		secret, err := s.ask(ctx, question{key: "password", prompt: "Password at the service (it is not shown)", secret: true,
			term: "The account's password. It goes into " + s.lineFile("password") + ", never into the configuration file."})
		if err == nil {
			err = s.once("registered", func() error {
				s.person.Say("  Registering at the service. If nobody answers, that takes 35 s.")
				return s.serve(noContact, func(l *daemon.Line) error { return s.awaitService(ctx, l) })
			})
		}
		var refused *unproved
		switch {
		case err == nil:
			return s.store("password", secret)
		case s.o.Batch || !errors.As(err, &refused):
			return err
		}
		s.person.Say("  %v", err)
		s.forget("user", "password")
		if refused.silent && s.line == 0 { // the lines before this one have shown that the server answers
			s.forget("server")
			if err := inOrder(ctx, s.server, s.address); err != nil {
				return err
			}
		}
	}
}

// adapter tells what to type into the adapter, and waits until it has registered.
func (s *setup) adapter(ctx context.Context) error {
	path := s.lineFile("adapter-password")
	secret, err := s.ask(ctx, question{key: "adapter-password", secret: true, usual: rand.Text(),
		prompt: "Password for the adapter (it is not shown; Enter makes one up)",
		term:   "The adapter proves with it that it is this line's. It goes into " + path + ", where you can read it."})
	if err == nil {
		err = s.store("adapter-password", secret)
	}
	if err != nil {
		return err
	}
	return s.once("adapter", func() error {
		return s.serve(noContact, func(l *daemon.Line) error { return s.awaitAdapter(ctx, l, path) })
	})
}

// relay asks for the contact until it can be closed and read, and opens it once if the person agrees.
func (s *setup) relay(ctx context.Context) error {
	for {
		err := s.contact(ctx)
		if refused := (*unproved)(nil); s.o.Batch || !errors.As(err, &refused) {
			return err
		}
		s.person.Say("  %v", err)
		s.forget("relay", "contact", "timed", proved+"read", proved+"timed")
	}
}

func (s *setup) contact(ctx context.Context) error {
	board, err := s.ask(ctx, question{key: "relay", prompt: "Relay board", usual: s.kept["0.relay"], check: reachable,
		term: "The relay's address: host:port of a Modbus board or of clearback relay; none for another relay, or for now."})
	if err != nil || board == "none" {
		return err
	}
	if _, err := s.ask(ctx, question{key: "contact", prompt: "Coil", check: number,
		term: "The number of the coil, from 0. Setup switches it off now: the loop stays closed."}); err != nil {
		return err
	}
	if err := s.once("read", func() error {
		return s.serve(readOnly, func(l *daemon.Line) error { return s.readContact(ctx, l) })
	}); err != nil {
		return err
	}
	if _, err := s.ask(ctx, question{key: "timed", prompt: "Timed output", check: timedOutput,
		term: "How the board ends an opening: by a register, such as 16 (in 100ms) or 16/10ms; agent: clearback relay; accept: not at all, so the loop may stay open if the daemon dies."}); err != nil {
		return err
	}
	if err := s.once("timed", func() error {
		return s.serve(complete, func(l *daemon.Line) error { return s.readContact(ctx, l) })
	}); err != nil {
		return err
	}
	return s.once("opened", func() error { return s.click(ctx) })
}

// click opens the loop once if the person agrees. No daemon runs while the person thinks: it would serve the line, and
// open the loop when a call clears.
func (s *setup) click(ctx context.Context) (err error) {
	consent, given := s.o.Answers["click"]
	delete(s.o.Answers, "click") // it is good for one opening
	if !given {
		if s.o.Batch {
			return errors.New("--click is missing: yes opens the loop once, no does not")
		}
		s.person.Say("\nSetup can open the loop once, so that you hear the relay or see it on a meter. The line must be idle, with nobody on it and no emergency call expected.")
		if consent, err = s.person.Ask(ctx, "Type yes to open it now: ", false); err != nil {
			return err
		}
	}
	if consent != "yes" {
		s.person.Say("  Not opened. Later: clearback check --live --pulse %s", s.of(s.line, "line", ""))
		return nil
	}
	return s.serve(complete, func(l *daemon.Line) error { return s.openOnce(ctx, l) })
}

func (s *setup) another(ctx context.Context) (bool, error) {
	if s.o.Batch {
		return false, nil
	}
	if s.of(s.line+1, "line", "") != "" { // an earlier run has asked
		return true, nil
	}
	v, err := s.person.Ask(ctx, "\nAnother line? y, or Enter for no: ", false)
	return strings.HasPrefix(strings.ToLower(v), "y"), err
}

// finish writes the file and says what is next.
func (s *setup) finish() error {
	text := []byte(s.text(0, s.line, complete, s.sealed))
	if _, faults := config.Parse(s.o.Path, text, config.Env{}); len(faults) > 0 {
		return fmt.Errorf("the file would have faults: %v", faults)
	}
	if now, err := file.Read(s.o.Path); s.unedited != nil && (err != nil || !bytes.Equal(now, s.unedited)) {
		return errors.Join(fmt.Errorf("%s was changed meanwhile, so it is left alone; move it away and run setup again", s.o.Path),
			err)
	}
	if err := put(s.o.Path, text, 0o644, s.unedited != nil); err != nil {
		return err
	}
	if err := errors.Join(os.Remove(s.answersFile()), os.RemoveAll(s.journalFolder())); err != nil {
		return err
	}
	first := s.of(0, "line", "")
	start := "clearback run --config " + s.o.Path
	if s.o.Credential(first+suffixes["password"]) != "" {
		start = "systemctl enable --now clearback"
	}
	s.person.Say("\n%s is written; the secrets are in %s. Next:\n  clearback check %[1]s\n  %[3]s\n  Hold a call, hang up at the other end, and watch the lamp: it goes dark within two seconds. If not: clearback tune %[4]s",
		s.o.Path, filepath.Dir(s.secretFile(first+suffixes["password"])), start, first)
	return nil
}
