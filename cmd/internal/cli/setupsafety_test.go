package cli

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"clearback/bridge/daemon"
	"clearback/bridge/loopbacktest"
	"clearback/config"
)

// A call for help passes while setup waits for the adapter. Setup waits for its end and says so. As long as the
// emergency centre may call back, also after an interruption, it writes no file that could open the loop.
func TestSetupDuringAnEmergencyCall(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	b.through(d, 0, 6)
	d.answer("Password for the adapter", adapterPassword).expect("Waiting at most")
	adapter, call := b.help()
	assert.Contains(t, b.asked(), "INVITE")
	_, code := b.register("box-office", adapterPassword)
	require.Equal(t, 200, code)
	d.expect("The adapter has registered").expect("An emergency call is up. Setup goes on when it ends.")
	call.Request("BYE", "")
	adapter.ExpectOf("200", "BYE")

	d.expect("Relay board")
	d.interrupt()
	d = b.begin()
	b.through(d, 7, len(b.steps()))
	require.Equal(t, ExitFailed, d.end())
	assert.Contains(t, flat(d.output()), flat("start the service after"))
	assert.NoFileExists(t, b.path)

	text, err := os.ReadFile(b.path + ".setup")
	require.NoError(t, err)
	answers := map[string]string{}
	require.NoError(t, json.Unmarshal(text, &answers))
	until, err := time.Parse(time.RFC3339, answers["emergency-centre-until"])
	require.NoError(t, err)
	assert.InDelta(t, 30*time.Minute, time.Until(until), float64(time.Minute)) // the default of the call-back window
	answers["emergency-centre-until"] = time.Now().Format(time.RFC3339)
	text, err = json.Marshal(answers)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(b.path+".setup", text, 0o600))
	d = b.begin()
	require.Equal(t, ExitOK, d.end(), d.output())
	assert.FileExists(t, b.path)
	assert.Empty(t, b.board.Changes(0))
}

// One Ctrl-C does not cut off a call for help, and the person reads that at once; a second one ends setup.
func TestSetupInterruptedDuringAnEmergencyCall(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	b.through(d, 0, 6)
	d.answer("Password for the adapter", adapterPassword).expect("Waiting at most")
	adapter, _ := b.help()
	d.signals <- os.Interrupt
	d.expect("An emergency call is up. Setup ends when it ends. A second Ctrl-C cuts it off.")
	adapter.ExpectSilence(100 * time.Millisecond)
	d.signals <- os.Interrupt
	assert.Equal(t, ExitFailed, d.end(), d.output())
	text, err := os.ReadFile(b.path + ".setup")
	require.NoError(t, err)
	assert.Contains(t, string(text), "emergency-centre-until")
	require.Eventually(t, func() bool { // the daemon's last messages, which the end did not wait for
		return !loopbacktest.Bound("udp", b.address)
	}, 10*time.Second, time.Millisecond)
}

// A call for help whose password is not yet right gets 503, at which the adapter tries its second server. While another
// answer is proved, the adapter finds nobody at its port, and does the same.
func TestSetupLeavesCallsForHelpToTheSecondServer(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	hold := make(chan struct{})
	release := sync.OnceFunc(func() { close(hold) })
	b.mu.Lock()
	b.hold = hold
	b.mu.Unlock()
	t.Cleanup(release)
	d := b.begin()
	b.through(d, 0, 6)
	d.expect("Registering at the service")
	require.Eventually(t, func() bool { return slices.Contains(b.asked(), "REGISTER") }, 10*time.Second,
		time.Millisecond)
	free, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(b.address))
	require.NoError(t, err, "nobody listens at the adapter's server")
	require.NoError(t, free.Close())
	release()
	d.answer("Password for the adapter", adapterPassword).expect("Waiting at most")
	_, call, answer := b.callForHelp("evening", "503")
	call.AckFailure(answer)
	_, call = b.help() // with the right password it passes
	call.Request("BYE", "")
	d.interrupt()
}

// A contact that is not known to be closed ends setup with the exit code for that. Each run closes and reads the
// contact, whatever an earlier one has found.
func TestSetupContactNotClosed(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	b.through(d, 0, 9)
	d.expect("Contact: reads closed.").expect("Timed output:")
	d.interrupt()

	b.board.Stick(true)
	in, w := io.Pipe()
	defer w.Close()
	d = &dialogue{t: t, in: w, code: make(chan int, 1), more: make(chan struct{}, 1)}
	e := &env{Streams: Streams{In: in, Out: d, Err: d}}
	o := e.setupOptions(t.Context(), b.path)
	o.Hurry = func() (context.Context, context.CancelFunc) { // not 10 s
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		return ctx, cancel
	}
	start, started := o.Start, 0
	o.Start = func(c *config.Config) (*daemon.Daemon, error) {
		if started++; started == 1 { // a socket of the proof before
			return nil, syscall.EADDRINUSE
		}
		assert.True(t, c.Lines[0].Policy.LifeSafety, "with a contact it must never open the loop")
		assert.False(t, c.Lines[0].Service.Register, "calls are not for a line that only closes its contact")
		return start(c)
	}
	o.Contact = func(ctx context.Context, l *daemon.Line) (string, bool) { // not 5 s
		ctx, cancel := context.WithTimeout(ctx, 100*time.Millisecond)
		defer cancel()
		return readContact(ctx, l)
	}
	go func() { d.code <- e.runSetup(t.Context(), o, &terminalPerson{e: e}) }()
	require.Equal(t, ExitNotClosed, d.end(), d.output())
	assert.Contains(t, d.output(), "clearback: not known closed: box-office (relays)")
	assert.Equal(t, 2, started)
	assert.NoFileExists(t, b.path)

	b.board.Stick(false)
	d = b.begin()
	b.through(d, 7, len(b.steps())) // the relay is asked about again
	require.Equal(t, ExitOK, d.end(), d.output())
}

// A secret is not shown by the terminal, and after an interruption the terminal shows again what is typed.
func TestSecretIsNotShown(t *testing.T) {
	master, slave := pseudoTerminal(t)
	var out outputBuffer
	e := &env{Streams: Streams{In: slave, Out: &out, Err: &out}}
	p := &terminalPerson{e: e, terminal: slave}
	shown := make(chan string, 1) // what the terminal has shown until the marker
	go func() {
		var all strings.Builder
		buf := make([]byte, 256)
		for !strings.Contains(all.String(), "aisle") {
			n, err := master.Read(buf)
			if err != nil {
				break
			}
			all.Write(buf[:n])
		}
		shown <- all.String()
	}()
	answer := make(chan string, 1) // one answer
	go func() {
		v, err := p.Ask(t.Context(), "Password: ", true)
		assert.NoError(t, err)
		answer <- v
	}()
	require.Eventually(t, func() bool { return !echoes(t, slave) }, 10*time.Second, time.Millisecond)
	_, err := master.WriteString(accountPassword + "\n")
	require.NoError(t, err)
	assert.Equal(t, accountPassword, <-answer)
	require.True(t, echoes(t, slave))
	_, err = master.WriteString("row 9 aisle\n") // this is shown
	require.NoError(t, err)
	assert.NotContains(t, <-shown, accountPassword)
	assert.NotContains(t, out.String(), accountPassword)

	_, err = slave.Read(make([]byte, 256)) // the row
	require.NoError(t, err)

	was, err := term.GetState(int(slave.Fd()))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1) // one error
	go func() {
		_, err := p.Ask(ctx, "Password: ", true)
		ended <- err
	}()
	require.Eventually(t, func() bool { return !echoes(t, slave) }, 10*time.Second, time.Millisecond)
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)
	require.NoError(t, term.Restore(int(slave.Fd()), was)) // as runSetup does
	assert.True(t, echoes(t, slave))
	_, err = master.WriteString("\n") // ends the reader that is left
	require.NoError(t, err)
}

// echoes reports whether a terminal shows what is typed.
func echoes(t *testing.T, terminal *os.File) bool {
	t.Helper()
	s, err := unix.IoctlGetTermios(int(terminal.Fd()), unix.TCGETS)
	require.NoError(t, err)
	return s.Lflag&unix.ECHO != 0
}

// A password for standard input is not shown either.
func TestPasswordFromTheTerminalIsNotShown(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	master, slave := pseudoTerminal(t)
	d := b.beginFrom(slave, "--batch", "--password-file=-")
	d.expect("Password (it is not shown):")
	require.Eventually(t, func() bool { return !echoes(t, slave) }, 10*time.Second, time.Millisecond)
	_, err := master.WriteString(accountPassword + "\n")
	require.NoError(t, err)
	require.Equal(t, ExitFailed, d.end())
	assert.Contains(t, d.output(), "--country is missing")
	assert.True(t, echoes(t, slave))
}
