package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"
	"go.uber.org/zap"
	"golang.org/x/term"

	"clearback/bridge/daemon"
	"clearback/cmd/internal/setup"
	"clearback/config"
	"clearback/config/file"
)

// uneditedFile is the first file of the Debian package, as it was installed.
const uneditedFile = "/usr/share/clearback/clearback.yaml"

func setUp(f *pflag.FlagSet) action {
	path := configFlag(f)
	answers := map[string]*string{}
	for _, a := range [][2]string{
		{"country", "the country `CODE` whose emergency numbers count, such as GB"},
		{"server", "the `HOST` of the PBX or provider"},
		{"address", "this machine's `ADDRESS` towards the adapter, with a port if not 5060"},
		{"line", "the `NAME` of the line"},
		{"user", "the line's `USER` at the service"},
		{"relay", "the `HOST` of the relay board, with a port if not 502, or none"},
		{"contact", "the `COIL` of the board, from 0"},
		{"timed", "`HOW` an opening ends: a register with its unit, such as 16/100ms; agent; or accept"},
	} {
		answers[a[0]] = f.String(a[0], "", a[1])
	}
	secrets := map[string]*string{
		"password":         f.String("password-file", "", "the `FILE` with the password at the service; - reads standard input"),
		"adapter-password": f.String("adapter-password-file", "", "the `FILE` with the adapter's password; - reads standard input"),
	}
	batch := f.Bool("batch", false, "ask nothing; fail if a flag is missing")
	patience := spanFlag(f, "wait", 10*time.Minute, "10m", "wait at most this `TIME` for the adapter to register")
	return func(e *env, _ []string) int {
		ctx, cancel := e.context()
		defer cancel()
		if err := unitNeeded(*path, os.Geteuid(), config.CredentialFile("box-office")); err != nil {
			return e.failed(err)
		}
		p, restore := e.person()
		defer restore()
		o := e.setupOptions(ctx, *path)
		o.Batch, o.Wait = *batch, patience.Duration
		for key, v := range answers {
			if f.Changed(key) {
				o.Answers[key] = *v
			}
		}
		for _, key := range []string{"password", "adapter-password"} { // in this order from standard input
			if !f.Changed(key + "-file") {
				continue
			}
			secret, err := p.secretFrom(ctx, *secrets[key])
			if err != nil {
				return e.fault("setup: --%s-file: %v", key, err)
			}
			o.Secrets[key] = secret
		}
		return e.runSetup(ctx, o, p)
	}
}

// setupOptions returns the options without those of the flags.
func (e *env) setupOptions(ctx context.Context, path string) setup.Options {
	return setup.Options{
		Path: path, Unedited: uneditedFile, Answers: map[string]string{}, Secrets: map[string]string{},
		Credential: func(name string) string { return credentialFor(path, name) },
		Start: func(c *config.Config) (*daemon.Daemon, error) {
			return daemon.Start(c, daemonOptions("", zap.NewNop()))
		},
		Contact: readContact, Hurry: func() (context.Context, context.CancelFunc) { return e.secondSignal(ctx) },
	}
}

// person returns the person at the terminal. restore ends a question for a secret that was interrupted.
func (e *env) person() (p *terminalPerson, restore func()) {
	p, restore = &terminalPerson{e: e}, func() {}
	if in, ok := e.In.(*os.File); ok && term.IsTerminal(int(in.Fd())) {
		p.terminal = in
		if was, err := term.GetState(int(in.Fd())); err == nil {
			restore = func() { _ = term.Restore(int(in.Fd()), was) }
		}
	}
	return p, restore
}

// runSetup runs the setup with a person.
func (e *env) runSetup(ctx context.Context, o setup.Options, p setup.Person) int {
	switch err := setup.Run(ctx, o, p); {
	case err == nil:
		return ExitOK
	case ctx.Err() != nil && !errors.Is(err, daemon.ErrNotClosed):
		fmt.Fprintln(e.Err, "\nclearback: setup is interrupted; run it again to continue")
		return ExitFailed
	default:
		return e.failed(err)
	}
}

// secondSignal returns a context that ends at the first signal after the one that has ended ctx.
func (e *env) secondSignal(ctx context.Context) (context.Context, context.CancelFunc) {
	hurry, cancel := context.WithCancel(context.Background())
	stop := context.AfterFunc(ctx, func() {
		select {
		case <-e.signals:
			cancel()
		case <-hurry.Done():
		}
	})
	return hurry, func() { stop(); cancel() }
}

// unitNeeded returns an error if root sets up the service's file, but the service has no file for a credential.
func unitNeeded(path string, user int, credential string) error {
	if path == defaultConfig && user == 0 && credential == "" {
		return fmt.Errorf("no service reads %s yet; install clearback.service first, or name another file with --config",
			path)
	}
	return nil
}

// credentialFor returns the file in which the service unit looks for a credential, if the unit reads the configuration
// file at path and this user may write for it; else "".
func credentialFor(path, name string) string {
	if absolute, err := filepath.Abs(path); err != nil || absolute != defaultConfig || os.Geteuid() != 0 {
		return ""
	}
	return config.CredentialFile(name)
}

// terminalPerson is the person at the terminal.
type terminalPerson struct {
	e        *env
	terminal *os.File // nil if the input is not a terminal
}

// Say implements [setup.Person].
func (p *terminalPerson) Say(format string, a ...any) {
	for line := range strings.SplitSeq(fmt.Sprintf(format, a...), "\n") {
		indent := line[:len(line)-len(strings.TrimLeft(line, " "))]
		for _, part := range breakAt(line, width(p.e.Out)-len(indent)) {
			p.e.say("%s", indent+part)
		}
	}
}

// secretFrom reads a secret from a file, or a line of standard input if path is "-".
func (p *terminalPerson) secretFrom(ctx context.Context, path string) (string, error) {
	if path == "-" {
		prompt := ""
		if p.terminal != nil {
			prompt = "Password (it is not shown): "
		}
		return p.Ask(ctx, prompt, true)
	}
	text, err := file.Read(path)
	return strings.TrimRight(string(text), "\r\n"), err
}

// Ask implements [setup.Person].
func (p *terminalPerson) Ask(ctx context.Context, prompt string, secret bool) (v string, err error) {
	fmt.Fprint(p.e.Out, prompt)
	if secret && p.terminal != nil {
		// When ctx ends, the terminal still does not show what is typed; runSetup restores it.
		v, err = inputOr(ctx, func() (string, error) {
			text, err := term.ReadPassword(int(p.terminal.Fd()))
			return string(text), err
		})
		fmt.Fprintln(p.e.Out) // the line end was not shown either
	} else {
		v, err = readLine(ctx, p.e.input())
	}
	if err != nil && ctx.Err() == nil {
		err = errInput
	}
	return v, err
}
