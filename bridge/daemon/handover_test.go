package daemon

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/programtest"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua/uatest"
	"clearback/bridge/socketstore"
)

// nextOf returns the service's next message. It skips OPTIONS, which come at random times, and provisional responses.
func nextOf(service *uatest.Peer) uatest.Message {
	for {
		if m := service.Next(); !m.Is("OPTIONS") && !m.Is("100") {
			return m
		}
	}
}

// A daemon that hands over stays registered at the service. A call that the service sends while no daemon runs reaches
// the line as soon as the next one does.
func TestHandOverKeepsTheRegistration(t *testing.T) {
	service, adapter := uatest.New(t, "service"), uatest.New(t, "box-office")
	c := daemontest.Load(t, daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), service.At.String(), adapter.At.String()))
	c.Control.Socket = filepath.Join(t.TempDir(), "control")
	manager := programtest.Listen(t)
	sockets := func() *socketstore.Store {
		return socketstore.New(strings.TrimPrefix(manager.Env(), "NOTIFY_SOCKET="), manager.Kept())
	}
	d, err := Start(c, Options{Logger: zap.NewNop(), Sockets: sockets()})
	require.NoError(t, err)
	former := service.Expect("REGISTER")
	daemontest.Answer(service, former, "200 OK")
	require.Eventually(t, func() bool { return d.agent.Line("box-office").Status().Service.Registered }, 5*time.Second,
		time.Millisecond)
	require.Empty(t, d.HandOver(context.Background(), context.Background()))
	require.Eventually(t, func() bool { return len(manager.Kept()) == 2 }, 5*time.Second, time.Millisecond,
		"one socket for each side")
	target := strings.Trim(former.Get("Contact"), "<>")
	at := c.SIP.ServiceSide.Listen
	service.Call(target, "<sip:555-0150@"+service.At.String()+">", at, uatest.Offer("127.0.0.1", 4000, "sendrecv"))

	d, err = Start(c, Options{Logger: zap.NewNop(), Sockets: sockets()})
	require.NoError(t, err)
	t.Cleanup(func() { d.Shutdown(context.Background()) })
	adapter.Expect("INVITE")
	again := nextOf(service)
	require.True(t, again.Is("REGISTER"), again)
	require.Equal(t, former.Get("Contact"), again.Get("Contact"), "the same Contact, and no end in between")
	require.NotEqual(t, "0", again.Get("Expires"))
	daemontest.Answer(service, again, "200 OK")
}

// Calls that cannot be saved are not left to anybody: they are ended.
func TestHandOverWithoutState(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, folder string){
		"no folder": nil,
		"no folder any more": func(t *testing.T, folder string) {
			require.NoError(t, os.RemoveAll(folder))
			require.NoError(t, os.WriteFile(folder, nil, 0o600))
		},
	} {
		t.Run(name, func(t *testing.T) {
			service, adapter := uatest.New(t, "service"), uatest.New(t, "box-office")
			c := daemontest.Load(t, daemontest.File(t,
				daemontest.Serve(t, &daemontest.Board{}), service.At.String(), adapter.At.String()))
			if c.Control.Socket = ""; spoil != nil {
				c.Control.Socket = filepath.Join(t.TempDir(), "control")
			}
			d, err := Start(c, Options{Logger: zap.NewNop()})
			require.NoError(t, err)
			reg := service.Expect("REGISTER")
			daemontest.Answer(service, reg, "200 OK")
			far := service.Call(strings.Trim(reg.Get("Contact"), "<>"), "<sip:555-0150@"+service.At.String()+">",
				c.SIP.ServiceSide.Listen, uatest.Offer("127.0.0.1", 4000, "sendrecv"))
			invite := adapter.Expect("INVITE")
			adapter.Respond(invite, 200, "near", uatest.Offer("127.0.0.1", 4002, "sendrecv"))
			adapter.Expect("ACK")
			far.Established(nextOf(service)).Ack("")
			if spoil != nil {
				spoil(t, runtimestate.Folder(c.Control.Socket))
			}
			ended := make(chan struct{}) // closed when the daemon has ended
			go func() { defer close(ended); d.HandOver(context.Background(), context.Background()) }()
			adapter.Respond(adapter.Expect("BYE"), 200, "", "")
			bye := nextOf(service)
			require.True(t, bye.Is("BYE"), bye)
			service.Respond(bye, 200, "", "")
			daemontest.Answer(service, nextOf(service), "200 OK") // the end of the registration
			<-ended
		})
	}
}

// leavingDaemon notes how it is ended.
type leavingDaemon struct {
	how chan string
}

func (l leavingDaemon) EmergencyUp() bool { return false }

func (l leavingDaemon) Shutdown(context.Context) []drivers.NotClosed {
	l.how <- "shutdown"
	return nil
}

func (l leavingDaemon) HandOver(full, hurry context.Context) []drivers.NotClosed {
	l.how <- "hand-over"
	select {
	case <-full.Done():
		l.how <- "full stop"
	case <-hurry.Done():
		l.how <- "at once"
	}
	return nil
}

// The first signal decides whether the calls are left. A second SIGUSR2 hurries, any other second signal ends the
// calls.
func TestSignalsOfAHandOver(t *testing.T) {
	for _, signals := range [][]os.Signal{
		{syscall.SIGTERM}, {handOver, handOver}, {handOver, syscall.SIGTERM}, {handOver, os.Interrupt},
	} {
		d := leavingDaemon{how: make(chan string)}
		second, ended := make(chan os.Signal), make(chan struct{}) // closed when end has returned
		go func() {
			defer close(ended)
			end(d, Options{Logger: zap.NewNop()}, signals[0], second, nil)
		}()
		switch {
		case signals[0] != handOver:
			require.Equal(t, "shutdown", <-d.how)
		case signals[1] == handOver:
			require.Equal(t, "hand-over", <-d.how)
			second <- signals[1]
			require.Equal(t, "at once", <-d.how)
		default:
			require.Equal(t, "hand-over", <-d.how)
			second <- signals[1]
			require.Equal(t, "full stop", <-d.how)
		}
		<-ended
	}
}

// A relay board that does not answer delays a hand-over only briefly: until the next daemon runs, what arrives waits.
func TestHandOverWithADeadBoard(t *testing.T) {
	t.Parallel()
	board := &daemontest.Board{}
	c := daemontest.Load(t, daemontest.File(t, daemontest.Serve(t, board), "192.0.2.1", "192.0.2.2:5060"))
	c.Control.Socket = filepath.Join(t.TempDir(), "control")
	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(t, err)
	board.Cut()
	began := time.Now()
	require.Len(t, d.HandOver(context.Background(), context.Background()), 1)
	require.Less(t, time.Since(began), CloseTimeout/2)
}

// SAFETY.md S129. A hand-over tries longer to close the contacts if many of them share a controller, and so perhaps a
// slow bus. It closes a contact that the file no longer has, too: nobody else knows it any more.
func TestHandOverClosesEveryContact(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, stageDoor, workshop, greenRoom)
	require.Equal(t, time.Second+2*100*time.Millisecond, b.d.leaveCloseLimit())
	b.d.state = runtimestate.Open(filepath.Join(t.TempDir(), "state"), callPrefix, zap.NewNop())
	b.call()
	require.Equal(t, "removed", b.reload(stageDoor, workshop, greenRoom).Waiting[0].Change)
	before := len(b.boards["cabinet"].Writes(0))
	require.Empty(t, b.d.HandOver(t.Context(), t.Context()))
	require.Equal(t, 1, b.logs.FilterMessageSnippet("are left to the next process").Len())
	closed := b.boards["cabinet"].Writes(0)
	require.Greater(t, len(closed), before)
	require.False(t, closed[len(closed)-1])
}

// Calls are left only to a process that would start.
func TestHandOverToNobody(t *testing.T) {
	t.Parallel()
	c := daemontest.Load(t, daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), "192.0.2.1",
		"192.0.2.2:5060"))
	c.Control.Socket = filepath.Join(t.TempDir(), "control")
	core, logs := observer.New(zap.InfoLevel)
	d, err := Start(c, Options{Logger: zap.New(core), MayStart: func(ctx context.Context) error {
		_, limited := ctx.Deadline()
		require.True(t, limited)
		return errors.New("line 3: a fault")
	}})
	require.NoError(t, err)
	hurry, cancel := context.WithCancel(context.Background())
	cancel() // the registrar does not answer
	require.Empty(t, d.HandOver(context.Background(), hurry))
	require.Zero(t, logs.FilterMessageSnippet("are left to the next process").Len())
	require.Equal(t, 1, logs.FilterMessageSnippet("cannot be left to the next process").Len())
	_ = d.agent.Close() // as in TestShutdownInAHurry
}

// A check that does not return, for example because the disk hangs, does not delay the end of the calls for ever.
func TestHandOverCheckThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hung := make(chan struct{}) // closed at the end of the test
		d := &Daemon{state: runtimestate.Open(filepath.Join(t.TempDir(), "state"), callPrefix, zap.NewNop()),
			mayStart: func(context.Context) error { <-hung; return nil }}
		defer d.state.Close(stateTimeout)
		defer close(hung)
		began := time.Now()
		require.ErrorContains(t, d.mayLeave(nil), "not known in time")
		require.Equal(t, mayStartFor, time.Since(began))
	})
}

// A request to check the hand-over, whose disk hangs, does not delay the end of the daemon.
func TestCheckOfTheHandOverEndsWithTheDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hung := make(chan struct{}) // closed at the end of the test
		d := &Daemon{state: runtimestate.Open(filepath.Join(t.TempDir(), "state"), callPrefix, zap.NewNop()),
			ending: make(chan struct{}), mayStart: func(context.Context) error { <-hung; return nil }}
		d.reloads = &reloads{d: d}
		defer d.state.Close(stateTimeout)
		defer close(hung)
		result := make(chan error, 1) // the only one
		go func() {
			_, err := (&backend{d: d}).Restart()
			result <- err
		}()
		synctest.Wait()
		began := time.Now()
		close(d.ending)
		var refused *control.Error
		require.ErrorAs(t, <-result, &refused)
		require.Equal(t, control.ReasonStopped, refused.Reason)
		require.Zero(t, time.Since(began))
	})
}
