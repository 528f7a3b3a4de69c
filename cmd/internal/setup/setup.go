// Package setup asks a person for what a first configuration file needs, proves each answer on the real network before
// the next question, and writes the file. It makes no call and opens no loop: a daemon of setup has no contact, or one
// whose line has the policy life_safety.
//
//	setup.go      the steps, in the order of the questions
//	questions.go  a question, the check of its answer, and where answers come from
//	proofs.go     what proves the answers: names, sockets, and the daemon
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
	// Answers and Secrets are answers, by the keys of the questions. Run removes those that it uses.
	Answers, Secrets map[string]string
	// Batch: nothing is asked. A missing answer is an error, which names its flag.
	Batch bool
	// Wait is how long an adapter may take to register.
	Wait time.Duration
	// Credential returns the file from which the service unit gets a credential, "" if the configuration file names
	// secrets by their paths.
	Credential func(name string) string
	// Start starts the daemon. Hurry returns the context whose end hurries its end: see [daemon.Daemon.Shutdown].
	Start func(c *config.Config) (*daemon.Daemon, error)
	Hurry func() (context.Context, context.CancelFunc)
	// Contact closes the line's contact and reads it.
	Contact func(ctx context.Context, l *daemon.Line) (words string, good bool)
}

// setup is one run.
type setup struct {
	o        Options
	person   Person
	kept     map[string]string // the answers, what is proved, and centreUntil
	secrets  map[string]string // by the keys of their questions
	unedited []byte            // the text of the file that may be replaced, nil if there is no file
}

// Run asks, proves and writes. After an error, another Run continues behind the last proved answer. If a contact is not
// known to be closed, the error wraps [daemon.ErrNotClosed].
func Run(ctx context.Context, o Options, p Person) error {
	s := &setup{o: o, person: p, secrets: map[string]string{}}
	free, err := s.lock()
	if err != nil {
		return err
	}
	defer free()
	if err := s.begin(ctx); err != nil {
		return err
	}
	if err := inOrder(ctx, s.country, s.service, s.name, s.account, s.adapter, s.relay); err != nil {
		return err
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
	old, err := file.Read(s.o.Path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	there := err == nil
	c, _ := config.Parse(s.o.Path, []byte(s.text(noContact, asCredential)), config.Env{})
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
		return fmt.Errorf("%s exists, and setup never changes a file that somebody has written; to add a line, see deploy/adding-a-line.md; otherwise name another file with --config, or move this one away",
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

// service asks for the server until one answers, or the person keeps one that does not.
func (s *setup) service(ctx context.Context) error {
	for unanswered := ""; ; {
		if err := inOrder(ctx, s.server, s.address); err != nil {
			return err
		}
		if s.kept["server"] == unanswered {
			return nil // the registration will show it
		}
		err := s.once("server", func() error {
			return s.serve(ctx, noAccount, func(l *daemon.Line) error { return s.askService(ctx, l) })
		})
		if silent := (*unproved)(nil); !errors.As(err, &silent) {
			return err
		}
		s.person.Say("  %v", err)
		if s.o.Batch {
			return nil
		}
		s.person.Say("  Some services answer only a registration. Type the same server again to keep it, or another one.")
		unanswered = s.kept["server"]
		delete(s.kept, "server")
	}
}

func (s *setup) server(ctx context.Context) error {
	_, err := s.ask(ctx, question{key: "server", prompt: "Server of the service",
		term: "The service is your PBX or provider. Type the name of its server (registrar), such as pbx.millrace.example.",
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
		term: "The address at which the adapter reaches this machine. Add a port only if it is not 5060, as in 192.0.2.10:5062.",
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
	_, err := s.ask(ctx, question{key: "line", prompt: "Name of the line", usual: "line-1",
		term: "The name is for log and commands. Small letters, digits and -, such as box-office.",
		check: func(v string) (string, error) {
			for key, suffix := range suffixes {
				own := s.kept["line"] == v && s.kept[key] != "" // of an earlier run
				if path := s.secretFile(v + suffix); !own && exists(path) {
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
	user := ""
	for {
		var err error
		user, err = s.ask(ctx, question{key: "user", prompt: "User at the service", usual: user,
			term: "The line's account at the service, often its number, such as 5550101."})
		if err != nil {
			return err
		}
		secret, err := s.ask(ctx, question{key: "password", prompt: "Password at the service (it is not shown)", secret: true,
			term: "The account's password. It goes into " + s.lineFile("password") + ", never into the configuration file."})
		if err == nil {
			err = s.once("registered", func() error {
				s.person.Say("  Registering at the service. If nobody answers, that takes 35 s.")
				return s.serve(ctx, noContact, func(l *daemon.Line) error { return s.awaitService(ctx, l) })
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
		delete(s.kept, "user")
		if s.kept["password"] != "" {
			s.kept["password"] = "refused" // its file is still setup's own
		}
		if refused.silent {
			delete(s.kept, "server")
			delete(s.kept, proved+"server")
			if err := s.service(ctx); err != nil {
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
		term:   "The adapter logs in here with this password. To see it: sudo cat " + path + ", in a second window."})
	if err == nil {
		err = s.store("adapter-password", secret)
	}
	if err != nil {
		return err
	}
	return s.once("adapter", func() error {
		return s.serve(ctx, withAdapter, func(l *daemon.Line) error { return s.awaitAdapter(ctx, l, path) })
	})
}

// relay asks for the contact, closes it and reads it. Every run does that, whatever an earlier one has found.
func (s *setup) relay(ctx context.Context) error {
	board, err := s.ask(ctx, question{key: "relay", prompt: "Relay board", check: reachable,
		term: "The relay's address: host:port of a Modbus board or of clearback relay. Type none if you have another kind of relay, or none yet."})
	if err != nil || board == "none" {
		return err
	}
	if _, err := s.ask(ctx, question{key: "contact", prompt: "Coil", check: number,
		term: "The number of the coil, from 0. Relay 1 of the board is usually coil 0. Setup switches it off now: the loop stays closed."}); err != nil {
		return err
	}
	if err := s.serve(ctx, withContact, func(l *daemon.Line) error { return s.readContact(ctx, l) }); err != nil {
		if ctx.Err() == nil { // the next run asks again
			delete(s.kept, "relay")
			delete(s.kept, "contact")
			err = errors.Join(err, s.save())
		}
		return err
	}
	_, err = s.ask(ctx, question{key: "timed", prompt: "Timed output", check: timedOutput,
		term: "How the board ends an opening by itself. Type a register and its unit, such as 16/100ms; or agent if it is clearback relay; or accept if it cannot: the loop may then stay open if the daemon dies."})
	if err == nil {
		s.person.Say("  Setup does not try this, because that would open the loop. It names the command at the end.")
	}
	return err
}

// finish writes the file and says what is next.
func (s *setup) finish() error {
	if until, err := time.Parse(time.RFC3339, s.kept[centreUntil]); err == nil && time.Now().Before(until) {
		return fmt.Errorf("an emergency call was made during setup, and the emergency centre may call back; start the service after %s: run setup again then, which writes %s at once. Until then the answers are kept",
			until.Local().Add(time.Minute).Format("15:04"), s.o.Path)
	}
	text := []byte(s.text(complete, s.sealed))
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
	if err := os.Remove(s.answersFile()); err != nil {
		return err
	}
	line := s.kept["line"]
	start := "clearback run --config " + s.o.Path
	if s.o.Credential(line+suffixes["password"]) != "" {
		start = "systemctl enable --now clearback"
	}
	s.person.Say("\n%s is written; the secrets are in %s.", s.o.Path, filepath.Dir(s.lineFile("password")))
	if s.kept["relay"] == "none" {
		s.person.Say("Next:\n  clearback check --live %s\n  %s\n  Hold a call, and hang up at the other end: clearback calls shows when the loop would have been opened.",
			s.o.Path, start)
		return nil
	}
	s.person.Say(`Next, in this order, with nobody on the line and no emergency call in the last 30 minutes:
  Pull the pair's plug at the adapter, connect a meter across the pair at the line card, plug the pair in again.
  Only then open the bypass.
  clearback check --live --pulse %s %s
  The meter drops to 0 and comes back. If it does not, close the bypass. deploy/wiring.md has the other measurements.
  %s
  Hold a call, hang up at the other end, and watch the lamp: it goes dark within two seconds. If not: clearback tune %[1]s`,
		line, s.o.Path, start)
	return nil
}
