package cli

import (
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// A call for help passes while setup proves an answer. Setup then opens no loop, neither during the call nor in the
// call-back window behind it, even if the person says yes.
func TestSetupDuringAnEmergencyCall(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	for _, step := range b.steps()[:7] { // as far as the adapter's password
		d.answer(step[0], step[1])
	}
	d.expect("Waiting at most")
	adapter, call := b.callForHelp()
	assert.Contains(t, b.asked(), "INVITE")
	_, code := b.register("box-office", adapterPassword)
	require.Equal(t, 200, code)
	d.expect("The adapter has registered")
	adapter.ExpectSilence(100 * time.Millisecond) // the end of the proof waits for the call
	call.Request("BYE", "")
	adapter.ExpectOf("200", "BYE")

	d.expect("Relay board") // the window outlasts an interruption too
	d.signals <- os.Interrupt
	require.Equal(t, ExitFailed, d.end())
	d = b.begin()
	for _, step := range b.steps()[7:10] { // as far as the timed output
		d.answer(step[0], step[1])
	}
	d.answer("Type yes to open it now:", "yes").expect("callback-window")
	d.expect("the loop was not opened and closed as it should be")
	d.answer("Relay board ["+b.board.Address()+"]:", "none")
	d.answer("Another line?", "")
	require.Equal(t, ExitOK, d.end(), d.output())
	assert.Empty(t, b.board.Changes(0))
}

// One Ctrl-C does not cut off a call for help; a second one ends setup at once.
func TestSetupInterruptedDuringAnEmergencyCall(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	d := b.begin()
	for _, step := range b.steps()[:7] {
		d.answer(step[0], step[1])
	}
	d.expect("Waiting at most")
	adapter, _ := b.callForHelp()
	d.signals <- os.Interrupt
	adapter.ExpectSilence(100 * time.Millisecond)
	d.signals <- os.Interrupt
	assert.Equal(t, ExitFailed, d.end(), d.output())
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

// The consent of a flag is good for one opening. After one that failed, the person is asked.
func TestConsentIsForOneOpening(t *testing.T) {
	t.Parallel()
	b := newSetupBed(t)
	flags := b.flags()
	flags["timed"] = "18" // a register that moves nothing
	args := asArgs(flags, "")
	d := b.begin(args[:len(args)-1]...) // not --batch
	d.expect("Waiting at most")
	b.register("box-office", adapterPassword)
	d.expect("the loop was not opened and closed as it should be")
	d.answer("Relay board ["+b.board.Address()+"]:", "").answer("Coil [0]:", "").answer("Timed output [18/100ms]:", "16")
	d.answer("Type yes to open it now:", "").expect("Not opened")
	d.answer("Another line?", "")
	assert.Equal(t, ExitOK, d.end(), d.output())
	assert.Empty(t, b.board.Changes(0))
}
