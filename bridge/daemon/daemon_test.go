package daemon

import (
	"context"
	"fmt"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

func TestMain(m *testing.M) {
	if err := os.Setenv("MILLRACE_SERVICE", "lobby-43"); err != nil { // the password in daemontest's file
		panic(err)
	}
	goleak.VerifyTestMain(m)
}

// After a second signal, the daemon tries once more to close the contacts and then ends, without waiting for a
// registrar that does not answer.
func TestShutdownInAHurry(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), daemontest.AnsweringFirst(t, "200 OK", 1), "192.0.2.2:5060"))
	d, err := Start(c, Options{Logger: zap.NewNop()})
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

func (s hangingDaemon) HandOver(full, hurry context.Context) []drivers.NotClosed {
	<-full.Done()
	return s.Shutdown(hurry)
}

// The daemon asks the service manager for more time while an emergency call is up (sd_notify(3), EXTEND_TIMEOUT_USEC),
// and never otherwise, so that a daemon that hangs is killed.
func TestMoreTimeForAnEmergencyCallOnly(t *testing.T) {
	signals, tick := make(chan os.Signal), make(chan time.Time)
	told, ended := make(chan string, 2), make(chan []drivers.NotClosed, 1) // two: a second state would show
	d := hangingDaemon{make(chan bool, 2)}
	d.emergency <- false
	d.emergency <- true
	o := Options{Logger: zap.NewNop(), Notify: func(state string) { told <- state }}
	go func() { ended <- end(d, o, os.Interrupt, signals, tick) }()
	tick <- time.Now()
	tick <- time.Now()
	signals <- os.Interrupt
	require.Empty(t, <-ended)
	require.Equal(t, "EXTEND_TIMEOUT_USEC=47000000", <-told)
	require.Empty(t, told, "no more than one")
	unit, err := os.ReadFile("../../deploy/clearback.service")
	require.NoError(t, err)
	require.Contains(t, string(unit), fmt.Sprintf("\nTimeoutStopSec=%.0fs\n", stopTimeout.Seconds()))
}

// Run notifies the service manager when the lines are served, and when the daemon begins to end (sd_notify(3)).
func TestRun(t *testing.T) {
	c, _ := stage(t)
	core, logs := observer.New(zap.InfoLevel)
	signals, told := make(chan os.Signal, 1), make(chan string, 3) // three: a third state would show
	o := Options{Version: "v0.0.0-millrace", Logger: zap.New(core), Notify: func(state string) {
		told <- state
		if state == "READY=1" {
			signals <- os.Interrupt
		}
	}}
	left, err := Run(c, o, signals)
	require.NoError(t, err)
	require.Empty(t, left)
	require.Equal(t, "READY=1", <-told)
	require.Equal(t, "STOPPING=1", <-told)
	require.Empty(t, told)
	require.Equal(t, "v0.0.0-millrace", logs.FilterMessage("ready").All()[0].ContextMap()["version"])
	require.Equal(t, "interrupt", logs.FilterMessage("ending").All()[0].ContextMap()["signal"])

	c.Lines[0].Service.Registrar = "not a URI"
	_, err = Run(c, o, signals)
	require.ErrorContains(t, err, "line box-office")
	require.Empty(t, told)
}

// failedStart starts a daemon that cannot start and returns its error.
func failedStart(t *testing.T, c *config.Config) error {
	t.Helper()
	failed := make(chan error, 1) // one result, received below
	go func() {
		_, err := Start(c, Options{Logger: zap.NewNop()})
		failed <- err
	}()
	select {
	case err := <-failed:
		return err
	case <-time.After(5 * time.Second):
		t.Fatal("the start neither fails nor succeeds")
		return nil
	}
}

// A start that fails halfway stops everything that it started.
func TestStartFailsInALaterLine(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), "192.0.2.1", "192.0.2.2:5060"))
	second := c.Lines[0]
	second.Name, second.Contact.Driver, second.Service.Registrar = "stage-door", "none", "not a URI"
	c.Lines = append(c.Lines, second)
	require.ErrorContains(t, failedStart(t, c), "line stage-door")
}

// So does a start that fails when the lines exist but do not run yet.
func TestStartFailsAtTheSockets(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), "192.0.2.1", "192.0.2.2:5060"))
	other, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(c.SIP.AdapterSide.Listen))
	require.NoError(t, err)
	defer other.Close()
	require.ErrorContains(t, failedStart(t, c), "SIP: ")
}

// A start that fails names the contacts that it could not close, and why.
func TestStartFailsBesideABoardThatIsGone(t *testing.T) {
	// Nothing listens at the board's address.
	c := daemontest.Load(t, daemontest.File(t, daemontest.FreePort(t), "192.0.2.1", "192.0.2.2:5060"))
	c.Lines[0].Service.Registrar = "not a URI"
	_, err := Start(c, Options{Logger: zap.NewNop(), closeFor: time.Millisecond})
	require.ErrorContains(t, err, `line box-office: service registrar "not a URI"`)
	require.ErrorIs(t, err, ErrNotClosed)
	require.ErrorContains(t, err, "not known closed: box-office (cabinet): ")
}

// A start that cannot open the contacts has reached none of them. An earlier process may have left one open.
func TestStartFailsBeforeTheContacts(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), "192.0.2.1", "192.0.2.2:5060"))
	second := c.Lines[0]
	second.Name, second.Contact.Driver = "stage-door", config.DriverNone
	c.Lines = append(c.Lines, second)
	c.Lines[0].Contact.Require = "oneshot"
	err := failedStart(t, c)
	require.ErrorContains(t, err, "line box-office: a contact of kind oneshot is required")
	require.ErrorIs(t, err, ErrNotClosed)
	require.ErrorContains(t, err, "not known closed: box-office (cabinet): not reached")
	require.NotContains(t, err.Error(), "stage-door")
}

// A second daemon for the same contacts leaves them to the first.
func TestSecondDaemonLeavesTheContactsToTheFirst(t *testing.T) {
	board := &daemontest.Board{}
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), "192.0.2.2:5060"))
	first, _ := startTestDaemon(t, c)
	err := failedStart(t, c)
	require.ErrorIs(t, err, relay.ErrLocked)
	require.NotErrorIs(t, err, ErrNotClosed)
	moves, _ := board.Moves()
	require.Empty(t, moves)
	require.Empty(t, first.Shutdown(context.Background()))
}
