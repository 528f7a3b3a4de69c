package cli

import (
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon"
	"clearback/bridge/daemon/daemontest"
)

// noSecrets fails if a secret is in the output or in a file other than those of the secrets, or if a secret can be read
// by others.
func (b *setupBed) noSecrets(output string) {
	b.t.Helper()
	for _, secret := range []string{accountPassword, adapterPassword} {
		assert.NotContains(b.t, output, secret)
		assert.NoError(b.t, filepath.WalkDir(filepath.Dir(b.path), func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			text, err := os.ReadFile(path)
			if info, _ := os.Stat(path); filepath.Base(filepath.Dir(path)) == "secrets" {
				assert.Equal(b.t, fs.FileMode(0o600), info.Mode(), path)
				return err
			}
			assert.NotContains(b.t, string(text), secret, path)
			return err
		}))
	}
}

// The first line takes 10 questions, no call and no opening, and gives a file of at most 20 lines that check accepts.
func TestSetup(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	b.through(d, 0, len(b.steps()))
	require.Equal(t, ExitOK, d.end(), d.output())
	assert.Equal(t, 10, d.questions) // as operation.md says
	for _, words := range []string{"Emergency numbers: 112, 911, 999.", "Registered until", "The adapter has registered from",
		"Contact: reads closed.", b.path + " is written", "clearback check --live --pulse box-office " + b.path,
		"clearback run --config " + b.path} {
		assert.Contains(t, flat(d.output()), flat(words))
	}
	assert.Regexp(t, `Pullthepair'splug.*connectameter.*plugthepairin.*openthebypass.*--pulse`, flat(d.output()))
	b.noSecrets(d.output())
	text, err := os.ReadFile(b.path)
	require.NoError(t, err)
	assert.LessOrEqual(t, strings.Count(string(text), "\n"), 20, string(text))
	left, err := filepath.Glob(filepath.Dir(b.path) + "/*")
	require.NoError(t, err)
	assert.Equal(t, []string{b.path, filepath.Join(filepath.Dir(b.path), "secrets")}, left)
	assert.Empty(t, b.board.Changes(0))
	for _, method := range b.asked() {
		assert.Contains(t, []string{"REGISTER", "OPTIONS"}, method)
	}

	code, out, errs := call("", "check", b.path)
	assert.Equal(t, ExitOK, code, out+errs)
	assert.NotContains(t, out, "warning")
	c := daemontest.Load(t, b.path)
	assert.Equal(t, accountPassword, c.Lines[0].Service.Password.Reveal())
	assert.Equal(t, adapterPassword, c.Lines[0].Adapter.Password.Reveal())
}

// Each wrong answer gets its reason at once, and the question again.
func TestSetupWrongAnswers(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	d.answer("Country:", "UK").expect("did you mean GB?")
	d.answer("Country:", "").expect("an answer is needed")
	d.answer("Country:", "GB")
	d.answer("Server of the service:", "pbx.millrace.invalid").expect("there is no way to")
	// Nobody listens at port 1 (RFC 1078, long unused); over TCP that is clear at once.
	d.answer("Server of the service:", "127.0.0.1:1;transport=tcp")
	d.answer("Address of this machine", "192.0.2.99").expect("this machine cannot listen there")
	d.answer("Address of this machine", "upstairs").expect(`"upstairs" is not an IP address`)
	d.answer("Address of this machine", "127.0.0.1:65526").expect("the port must be from 1 to 65525")
	d.answer("Address of this machine", b.service.At.String()).expect("address already in use")
	d.answer("Address of this machine", b.address.String()).expect("nobody answers").expect("connection refused")
	d.answer("Server of the service:", "127.0.0.1:1;transport=tcp") // kept, since it may answer a registration
	d.answer("Name of the line", "Box Office").expect("is not a name; allowed: 1 to 32 of a-z, 0-9 and -")
	d.answer("Name of the line", "box-office")
	d.answer("User at the service", "5550101")
	d.answer("Password at the service", accountPassword).expect("NOT registered:").expect("connection refused")
	d.answer("Server of the service:", "127.0.0.1:1;transport=tcp").expect("nobody answers")
	d.answer("Server of the service:", b.service.At.String()).expect("The server answers (200).")
	d.answer("User at the service [5550101]:", "5550199")
	d.answer("Password at the service", accountPassword).expect("NOT registered:").expect("403")
	d.answer("User at the service [5550199]:", "5550101")
	d.answer("Password at the service", "matinee").expect("NOT registered:").expect("403")
	d.answer("User at the service [5550101]:", "")
	d.answer("Password at the service", accountPassword).expect("Registered until")

	d.answer("Password for the adapter", adapterPassword).expect("Waiting at most")
	_, code := b.register("stage-door", adapterPassword)
	assert.NotEqual(t, 200, code)
	d.expect(`as user "stage-door": wrong user or password; the user has to be box-office`)
	_, code = b.register("box-office", "evening")
	assert.NotEqual(t, 200, code)
	d.expect(`as user "box-office": wrong user or password`)
	_, code = b.register("box-office", adapterPassword)
	require.Equal(t, 200, code)

	d.answer("Relay board", "127.0.0.1:1").expect("no board answers")
	d.answer("Relay board", "127.0.0.1:modbus").expect(`"modbus" is not a port`)
	d.answer("Relay board", b.board.Address())
	d.answer("Coil:", "rts").expect("write a number")
	d.answer("Coil:", "0").expect("Contact: reads closed")
	d.answer("Timed output:", "sixteen").expect("write a register such as 16")
	d.answer("Timed output:", "16/5s").expect("out of range")
	d.answer("Timed output:", "16")
	require.Equal(t, ExitOK, d.end(), d.output())
	b.noSecrets(d.output())
	assert.NotContains(t, d.output(), "matinee", "a wrong password is a secret too")
	assert.Empty(t, b.board.Changes(0))
	code, out, errs := call("", "check", b.path)
	assert.Equal(t, ExitOK, code, out+errs)
}

// setupArgs is the environment variable with the arguments of a setup that runs in a process of its own.
const setupArgs = "CLEARBACK_TEST_SETUP"

// TestSetupProcess is that process. By itself it does nothing.
func TestSetupProcess(*testing.T) {
	if args := os.Getenv(setupArgs); args != "" {
		os.Exit(Main(strings.Split(args, "\n"), Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr},
			make(chan os.Signal)))
	}
}

// A setup that is killed at any question goes on with that question, and leaves nothing half-written.
func TestSetupGoesOnAfterAKill(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	steps := b.steps()
	var all strings.Builder
	for n := range steps {
		d := &dialogue{t: t, more: make(chan struct{}, 1)}
		c := exec.Command(os.Args[0], "-test.run=^TestSetupProcess$")
		c.Env = append(os.Environ(), setupArgs+"=setup\n--config\n"+b.path)
		c.Stdout, c.Stderr = d, d
		in, err := c.StdinPipe()
		require.NoError(t, err)
		d.in = in
		require.NoError(t, c.Start())
		if n > 0 {
			d.answer(steps[n-1][0], steps[n-1][1])
		}
		if n > 0 && steps[n-1][1] == adapterPassword {
			d.expect("Waiting at most")
			_, code := b.register("box-office", adapterPassword)
			require.Equal(t, 200, code)
		}
		d.expect(steps[n][0])
		require.NoError(t, c.Process.Kill())
		_ = c.Wait() // killed
		all.WriteString(d.output())
		b.noSecrets(d.output())
		assert.NoFileExists(t, b.path)
	}
	d := b.begin()
	b.through(d, len(steps)-1, len(steps))
	require.Equal(t, ExitOK, d.end(), d.output())
	assert.Equal(t, 1, strings.Count(all.String()+d.output(), "The adapter has registered from"), "it is not proved again")
	code, out, errs := call("", "check", b.path)
	assert.Equal(t, ExitOK, code, out+errs)
	left, err := filepath.Glob(filepath.Dir(b.path) + "/*")
	require.NoError(t, err)
	assert.Equal(t, []string{b.path, filepath.Join(filepath.Dir(b.path), "secrets")}, left)
}

// A script answers every question by a flag. Without one of them, it reads which is missing.
func TestSetupByFlags(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	for name := range b.flags() {
		t.Run("without "+name, func(t *testing.T) {
			t.Parallel()
			b := newSetupBed(t)
			d := b.begin(asArgs(b.flags(), name)...)
			if slices.Contains([]string{"relay", "contact", "timed"}, name) {
				d.expect("Waiting at most")
				b.register("box-office", adapterPassword)
			}
			assert.Equal(t, ExitFailed, d.end(), d.output())
			assert.Contains(t, flat(d.output()), flat("--"+name+" is missing"))
			assert.NoFileExists(t, b.path)
		})
	}
	for name, wrong := range map[string]string{"country": "UK", "server": "pbx.millrace.invalid", "address": "192.0.2.99",
		"line": "Box"} {
		t.Run("wrong "+name, func(t *testing.T) {
			t.Parallel()
			b := newSetupBed(t)
			flags := b.flags()
			flags[name] = wrong
			d := b.begin(asArgs(flags, "")...)
			assert.Equal(t, ExitFailed, d.end(), d.output())
			assert.Contains(t, flat(d.output()), flat("--"+name+":"))
		})
	}
	// A server that does not answer OPTIONS may still answer a registration.
	dead := newSetupBed(t)
	flags := dead.flags()
	flags["server"] = "127.0.0.1:1;transport=tcp"
	d := dead.begin(asArgs(flags, "")...)
	d.expect("nobody answers").expect("Registering at the service").expect("NOT registered")
	assert.Equal(t, ExitFailed, d.end(), d.output())
	d = b.begin(asArgs(b.flags(), "")...)
	d.expect("Waiting at most")
	b.register("box-office", adapterPassword)
	assert.Equal(t, ExitOK, d.end(), d.output())
	b.noSecrets(d.output())
	assert.Empty(t, b.board.Changes(0))
	code, out, errs := call("", "check", b.path)
	assert.Equal(t, ExitOK, code, out+errs)

	// A secret may come by standard input; a faulty file of a secret is named.
	d = newSetupBed(t).begin("--batch", "--password-file=-", "--adapter-password-file=/nowhere/secret")
	_, err := io.WriteString(d.in, accountPassword+"\n")
	require.NoError(t, err)
	assert.Equal(t, ExitFaults, d.end())
	assert.Contains(t, flat(d.output()), flat("setup: --adapter-password-file: open /nowhere/secret"))
}

// An answer that a flag changes is proved again, with all that follows from it.
func TestSetupProvesChangedAnswersAgain(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin(asArgs(b.flags(), "timed")...)
	d.expect("Waiting at most")
	b.register("box-office", adapterPassword)
	require.Equal(t, ExitFailed, d.end())
	require.Contains(t, d.output(), "--timed is missing")
	for name, wrong := range map[string]string{"user": "5550199", "password-file": b.flags()["adapter-password-file"]} {
		flags := b.flags()
		flags[name] = wrong
		d = b.begin(asArgs(flags, "")...)
		assert.Equal(t, ExitFailed, d.end(), name)
		assert.Contains(t, d.output(), "NOT registered", name)
	}
}

// Setup never changes a file that somebody has written, nor one in a folder of somebody else.
func TestSetupLeavesFilesAlone(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	refused := func(words string) {
		t.Helper()
		d := b.begin(asArgs(b.flags(), "")...)
		assert.Equal(t, ExitFailed, d.end(), d.output())
		assert.Contains(t, flat(d.output()), flat(words))
	}
	write := func(path, text string) {
		t.Helper()
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	}
	write(b.path, "country: GB\n")
	refused("exists, and setup never changes a file that somebody has written")
	text, err := os.ReadFile(b.path)
	require.NoError(t, err)
	assert.Equal(t, "country: GB\n", string(text))
	require.NoError(t, os.Remove(b.path))

	for _, text := range []string{"{", "null"} {
		write(b.path+".setup", text)
		refused(".setup is not what setup has written")
	}
	require.NoError(t, os.Remove(b.path+".setup"))

	secrets := filepath.Join(filepath.Dir(b.path), "secrets")
	require.NoError(t, os.Mkdir(secrets, 0o700))
	write(filepath.Join(secrets, "box-office-service"), "another")
	refused("box-office-service is there already, and may be a secret of another line")
	require.NoError(t, os.RemoveAll(secrets))
	require.NoError(t, os.Remove(b.path+".setup"))

	require.NoError(t, os.Mkdir(secrets, 0o777))
	require.NoError(t, os.Chmod(secrets, 0o777))
	refused("may be changed by others")
	text, err = os.ReadFile(b.path + ".setup")
	require.NoError(t, err)
	assert.NotContains(t, string(text), `"password"`, "what is not stored is not marked as setup's own")
	assert.Contains(t, string(text), `"user"`)

	require.NoError(t, os.Chmod(filepath.Dir(b.path), 0o777))
	refused("may be changed by others")
}

// A daemon that runs with the file is named, and so are its ports.
func TestSetupBesideTheDaemon(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin(asArgs(b.flags(), "")...)
	d.expect("Waiting at most")
	b.register("box-office", adapterPassword)
	require.Equal(t, ExitOK, d.end(), d.output())
	c := daemontest.Load(t, b.path)
	c.Journal.File = ""
	served, err := daemon.Start(c, daemonOptions(b.path, zap.NewNop()))
	require.NoError(t, err)
	defer served.Shutdown(t.Context())
	d = b.begin()
	assert.Equal(t, ExitFailed, d.end())
	assert.Contains(t, flat(d.output()), flat("the daemon is running with "+b.path))
	other := newSetupBed(t)
	other.address = b.address
	d = other.begin(asArgs(other.flags(), "")...)
	assert.Equal(t, ExitFailed, d.end())
	assert.Contains(t, flat(d.output()), flat("If the port is in use: does clearback run (systemctl stop clearback)"))
}

// With the package, setup replaces its unedited first file, and puts the secrets where the unit reads them.
func TestSetupWithThePackage(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	dir := t.TempDir()
	first := filepath.Join(dir, "first.yaml")
	run := func(answers map[string]string, meanwhile func()) (code int, out string) {
		in, w := io.Pipe()
		defer w.Close()
		d := &dialogue{t: t, in: w, code: make(chan int, 1), more: make(chan struct{}, 1)}
		e := &env{Streams: Streams{In: in, Out: d, Err: d}}
		o := e.setupOptions(t.Context(), b.path)
		o.Unedited, o.Credential = first, func(name string) string { return filepath.Join(dir, "unit", name) }
		o.Batch, o.Wait, o.Answers = true, 20*time.Second, answers
		o.Secrets = map[string]string{"password": accountPassword, "adapter-password": adapterPassword}
		go func() { d.code <- e.runSetup(t.Context(), o, &terminalPerson{e: e}) }()
		d.expect("Waiting at most")
		meanwhile()
		b.register("box-office", adapterPassword)
		return d.end(), d.output()
	}
	answers := func() map[string]string {
		all := b.flags()
		delete(all, "password-file")
		delete(all, "adapter-password-file")
		all["relay"] = "none"
		return all
	}
	for _, path := range []string{first, b.path} {
		require.NoError(t, os.WriteFile(path, []byte("country:\n"), 0o600))
	}
	code, out := run(answers(), func() {
		require.NoError(t, os.WriteFile(b.path, []byte("country: GB\n"), 0o600))
	})
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, flat(out), flat("was changed meanwhile, so it is left alone"))
	require.NoError(t, os.WriteFile(b.path, []byte("country:\n"), 0o600))
	require.NoError(t, os.Remove(b.path+".setup"))
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "unit")))

	code, out = run(answers(), func() {})
	require.Equal(t, ExitOK, code, out)
	text, err := os.ReadFile(b.path)
	require.NoError(t, err)
	assert.Contains(t, string(text), "{credential: box-office-service}")
	assert.Contains(t, string(text), "contact: {driver: none}")
	assert.LessOrEqual(t, strings.Count(string(text), "\n"), 20)
	assert.Contains(t, out, "systemctl enable --now clearback")
	assert.NotContains(t, out, "bypass")
	secret, err := os.ReadFile(filepath.Join(dir, "unit", "box-office-adapter"))
	require.NoError(t, err)
	assert.Equal(t, adapterPassword+"\n", string(secret))
}

// Ctrl-C ends setup at once; what was answered stays for the next run.
func TestSetupInterrupted(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	d.answer("Country:", "GB").expect("Server of the service:")
	d.interrupt()
	assert.Contains(t, d.output(), "run it again to continue")
	d = b.begin()
	d.expect("Continuing where setup stopped").expect("Server of the service:")
	d.interrupt()
	assert.NotContains(t, d.output(), "Country:")
}

// Two setups at once would overwrite each other's answers.
func TestSetupIsAlone(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	first := b.begin()
	first.expect("Country:")
	second := b.begin()
	assert.Equal(t, ExitFailed, second.end())
	assert.Contains(t, flat(second.output()), flat("another setup is at work in "+filepath.Dir(b.path)))
	first.answer("", "GB").expect("Server of the service:")
}

// A folder that does not exist is the first thing that somebody without the package meets.
func TestSetupWithoutTheFolder(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	b.path = filepath.Join(filepath.Dir(b.path), "clearback", "clearback.yaml")
	d := b.begin()
	assert.Equal(t, ExitFailed, d.end())
	assert.Contains(t, flat(d.output()), flat("does not exist; create it first: sudo mkdir -p "+filepath.Dir(b.path)))
}

// Root's setup of the service's file needs the unit: it says where the service reads the secrets.
func TestSetupNeedsTheUnit(t *testing.T) {
	for _, c := range []struct {
		path, credential string
		user             int
		good             bool
	}{
		{defaultConfig, "", 0, false}, {defaultConfig, "/etc/clearback/secrets/x", 0, true},
		{defaultConfig, "", 1000, true}, {"clearback.yaml", "", 0, true},
	} {
		err := unitNeeded(c.path, c.user, c.credential)
		assert.Equal(t, c.good, err == nil, "%+v", c)
		if err != nil {
			assert.ErrorContains(t, err, "install clearback.service first")
		}
	}
}

// A new name, given by a flag, leaves the secrets of another line alone, and takes none of the old name's files.
func TestSetupRenamed(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	b.interruptedAtTheBoard()

	other := filepath.Join(filepath.Dir(b.path), "secrets", "stage-door-service")
	require.NoError(t, os.WriteFile(other, []byte("of another line\n"), 0o600))
	d := b.begin("--line", "stage-door", "--password-file", b.flags()["password-file"])
	require.Equal(t, ExitFailed, d.end())
	assert.Contains(t, flat(d.output()), flat("--line: "+other+" is there already"))
	text, err := os.ReadFile(other)
	require.NoError(t, err)
	assert.Equal(t, "of another line\n", string(text))

	d = b.begin("--line", "green-room")
	d.expect("Password at the service")
	text, err = os.ReadFile(b.path + ".setup")
	require.NoError(t, err)
	assert.NotContains(t, string(text), "password", "the old name's files are not the new one's")
	d.answer("", accountPassword).expect("Registered until")
	d.answer("Password for the adapter", adapterPassword).expect("user, and user for authentication: green-room")
	b.register("green-room", adapterPassword)
	d.expect("Relay board")
	d.interrupt()
}

// A kept answer that is refused now is asked for again, and everything that it had proved is proved again.
func TestSetupKeptAnswerThatIsWrongNow(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	b.interruptedAtTheBoard()
	taken, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(b.address))
	require.NoError(t, err)
	d := b.begin()
	d.expect("address already in use").expect("Address of this machine")
	require.NoError(t, taken.Close())
	d.answer("", b.address.String()).expect("Registered until").expect("Waiting at most")
	d.interrupt()
}
