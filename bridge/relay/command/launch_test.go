package command

import (
	"context"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"clearback/bridge/relay/controller"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestDiskThatHangs makes execve of the program hang: it waits until this test gives up its lease of the file. Nothing
// else waits for it, neither the garbage collection nor the close that follows.
func TestDiskThatHangs(t *testing.T) {
	reached := make(chan os.Signal, 1)
	signal.Notify(reached, unix.SIGIO) // somebody opens a file that we have a lease of
	defer signal.Stop(reached)
	file := filepath.Join(t.TempDir(), "program")
	require.NoError(t, os.WriteFile(file, []byte("#!/bin/sh\nexit 0\n"), 0o700))
	f, err := os.Open(file)
	require.NoError(t, err)
	defer f.Close()
	_, err = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_WRLCK)
	require.NoError(t, err)

	hung := shell(t, "")
	hung.program = file
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	returned := make(chan error, 1)
	go func() {
		_, err := hung.Do(ctx, controller.Request{Op: controller.Open}, pass)
		returned <- err
	}()
	<-reached
	begin := time.Now()
	runtime.GC()
	_, err = shell(t, "exit 0").Do(within(t, 10*time.Second), controller.Request{Op: controller.Close}, pass)
	require.NoError(t, err)
	require.Less(t, time.Since(begin), 20*time.Second) // the kernel ends the lease after 45 s (lease-break-time)
	require.Empty(t, returned)
	cancel()
	require.ErrorContains(t, <-returned, file+" was killed: ")
}

// A program that cannot be started has done nothing, but its status does not prove that.
func TestProgramsThatCannotBeStarted(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"empty": "", "zeros": "\x00\x00\x00\x00\n\x00\x00", "nobody": "#!/nonexistent\n"} {
		file := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(file, []byte(text), 0o700))
		d := shell(t, "")
		d.program = file
		_, err := d.Do(within(t, 10*time.Second), controller.Request{Op: controller.Close}, pass)
		require.ErrorContains(t, err, file+": exit status 12", name)
		var no *controller.Refusal
		require.NotErrorAs(t, err, &no)
	}
}
