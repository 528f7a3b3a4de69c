package cli

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func loaded(t *testing.T, path string) *config.Config {
	t.Helper()
	c, faults, err := config.Load(path)
	require.NoError(t, err)
	require.Empty(t, faults.String())
	return c
}

// After a second signal, the daemon tries once more to close the contacts and then ends, without waiting for a
// registrar that does not answer.
func TestShutdownInAHurry(t *testing.T) {
	c := loaded(t, file(t, serve(t, &boardHandler{}), answering(t, "200 OK", 1), "192.0.2.2:5060"))
	d, err := StartDaemon(c, zap.NewNop())
	require.NoError(t, err)
	require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		5*time.Millisecond)
	hurry, cancel := context.WithCancel(context.Background())
	cancel()
	began := time.Now()
	require.Empty(t, d.Shutdown(hurry))
	assert.Less(t, time.Since(began), hurriedCloseFor+400*time.Millisecond)
	// A process would be gone by now. In the test, wait for the requests that are still unanswered.
	_ = d.agent.Close()
}

// hangingDaemon is a daemon whose shutdown lasts until hurry ends.
type hangingDaemon struct{ emergency chan bool } // what EmergencyUp says, in turn

func (s hangingDaemon) EmergencyUp() bool { return <-s.emergency }
func (s hangingDaemon) Shutdown(hurry context.Context) []drivers.NotClosed {
	<-hurry.Done()
	return nil
}

// The daemon asks the service manager for more time while an emergency call is up (sd_notify(3), EXTEND_TIMEOUT_USEC),
// and never otherwise: a daemon that hangs is to be killed.
func TestMoreTimeForAnEmergencyCallOnly(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer c.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	signals, tick, ended := make(chan os.Signal), make(chan time.Time), make(chan int, 1)
	d := hangingDaemon{make(chan bool, 2)}
	d.emergency <- false
	d.emergency <- true
	go func() { ended <- (&env{signals: signals}).end(d, zap.NewNop(), tick) }()
	tick <- time.Now()
	tick <- time.Now()
	signals <- os.Interrupt
	require.Equal(t, ExitOK, <-ended)
	require.NoError(t, c.SetReadDeadline(time.Now().Add(time.Second)))
	b := make([]byte, 100)
	n, err := c.Read(b)
	require.NoError(t, err)
	require.Equal(t, "EXTEND_TIMEOUT_USEC=30000000", string(b[:n]))
	require.NoError(t, c.SetReadDeadline(time.Now().Add(10*time.Millisecond)))
	_, err = c.Read(b)
	require.ErrorIs(t, err, os.ErrDeadlineExceeded, "no more than one")
}

// A start that fails halfway stops everything that it started.
func TestStartFailsInALaterLine(t *testing.T) {
	c := loaded(t, file(t, serve(t, &boardHandler{}), "192.0.2.1", "192.0.2.2:5060"))
	second := c.Lines[0]
	second.Name, second.Contact.Driver, second.Service.Registrar = "stage-door", "none", "not a URI"
	c.Lines = append(c.Lines, second)
	failed := make(chan error, 1)
	go func() {
		_, err := StartDaemon(c, zap.NewNop())
		failed <- err
	}()
	select {
	case err := <-failed:
		require.ErrorContains(t, err, "line stage-door")
	case <-time.After(5 * time.Second):
		t.Fatal("the start neither fails nor succeeds")
	}
}
