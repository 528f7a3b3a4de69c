package daemon

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua/uatest"
	"clearback/config"
)

// powered is a machine with a call that is up. Its memory (control socket) and its disk (journal) are two folders.
type powered struct {
	t                *testing.T
	c                *config.Config
	service, adapter *uatest.Peer
	reg              uatest.Message // the REGISTER of the daemon that runs
	memory, copies   string         // the two folders of the state
}

func newPowered(t *testing.T) (*powered, *Daemon) {
	t.Helper()
	p := &powered{t: t, service: uatest.New(t, "service"), adapter: uatest.New(t, "box-office")}
	p.c = daemontest.Load(t, daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), p.service.At.String(),
		p.adapter.At.String()))
	p.c.Control.Socket = filepath.Join(t.TempDir(), "control")
	p.c.Journal.File = filepath.Join(t.TempDir(), "journal.db")
	p.memory = runtimestate.Folder(p.c.Control.Socket)
	p.copies = runtimestate.CopyFolder(p.c.Control.Socket, p.c.Journal.File)
	return p, p.start()
}

func (p *powered) start() *Daemon {
	p.t.Helper()
	d, err := Start(p.c, Options{Logger: zap.NewNop()})
	require.NoError(p.t, err)
	p.reg = nextOf(p.service)
	for !p.reg.Is("REGISTER") {
		p.reg = nextOf(p.service)
	}
	daemontest.Answer(p.service, p.reg, "200 OK")
	return d
}

// answered sets up a call, or one that only rings.
func (p *powered) call(answered bool) (near, far *uatest.Dialog) {
	p.t.Helper()
	far = p.service.Call(strings.Trim(p.reg.Get("Contact"), "<>"), "<sip:555-0150@"+p.service.At.String()+">",
		p.c.SIP.ServiceSide.Listen, uatest.Offer("127.0.0.1", 4000, "sendrecv"))
	invite := p.adapter.Expect("INVITE")
	if !answered {
		p.adapter.Respond(invite, 180, "near", "")
		return p.adapter.Called(invite, "near"), far
	}
	p.adapter.Respond(invite, 200, "near", uatest.Offer("127.0.0.1", 4002, "sendrecv"))
	p.adapter.Expect("ACK")
	far.Established(nextOf(p.service)).Ack("")
	return p.adapter.Called(invite, "near"), far
}

// awaitCopy waits until the disk has a call that satisfies is.
func (p *powered) awaitCopy(is func(text string) bool) {
	p.t.Helper()
	require.Eventually(p.t, func() bool {
		text, err := os.ReadFile(filepath.Join(p.copies, "call-1.json"))
		return err == nil && is(string(text))
	}, 10*time.Second, time.Millisecond)
}

// crash ends the daemon. Memory and disk are as they were when it was killed, or only the disk if the power was cut.
func (p *powered) crash(d *Daemon, powerCut bool) {
	p.t.Helper()
	left := map[string]string{p.copies: filepath.Join(p.t.TempDir(), "copies")}
	if !powerCut {
		left[p.memory] = filepath.Join(p.t.TempDir(), "memory")
	}
	for from, to := range left {
		require.NoError(p.t, os.CopyFS(to, os.DirFS(from)))
		require.NoError(p.t, os.Chmod(to, 0o700))
	}
	hurry, cancel := context.WithCancel(context.Background())
	cancel()
	require.Empty(p.t, d.HandOver(context.Background(), hurry)) // it sends nothing
	require.NoError(p.t, os.RemoveAll(p.memory))
	require.NoError(p.t, os.RemoveAll(p.copies))
	for from, to := range left {
		require.NoError(p.t, os.Rename(to, from))
	}
}

// isAnswered reports whether a state is that of an answered call.
func isAnswered(text string) bool { return strings.Contains(text, `"Invite":null`) }

// ofCall returns the peer's next request of that method in a call.
func ofCall(p *uatest.Peer, method string) uatest.Message {
	for {
		if m := p.Next(); m.Is(method) && strings.Contains(m.Get("To"), ";tag=") {
			return m
		} else if !m.IsResponse() && !m.Is("ACK") && !m.Is("CANCEL") {
			p.Respond(m, 481, "", "")
		}
	}
}

// SAFETY.md S130. A call outlives several power cuts, and a kill right after one. Its end leaves nothing on the disk.
func TestCallOutlivesPowerCuts(t *testing.T) {
	p, d := newPowered(t)
	near, _ := p.call(true)
	p.awaitCopy(isAnswered)
	for _, powerCut := range []bool{true, false, true} {
		p.crash(d, powerCut)
		d = p.start()
		require.Eventually(t, func() bool { return d.Line("box-office").SIP().Status().Calls == 1 }, 10*time.Second,
			time.Millisecond)
		p.awaitCopy(isAnswered)
		require.Eventually(t, func() bool { // it is in both folders again
			_, call := os.Stat(filepath.Join(p.memory, "call-1.json"))
			_, mark := os.Stat(filepath.Join(p.memory, startName+".json"))
			return call == nil && mark == nil
		}, 10*time.Second, time.Millisecond)
	}
	_ = near
	p.adapter.Respond(ofCall(p.adapter, "OPTIONS"), 200, "", "")
	require.NoError(t, d.Close())
	left, err := filepath.Glob(filepath.Join(p.copies, "*"))
	require.NoError(t, err)
	require.Empty(t, left)
}
