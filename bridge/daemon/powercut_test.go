package daemon

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua/registration"
	"clearback/bridge/sipua/uatest"
	"clearback/config"
	"clearback/supervision"
)

// machine is a machine with two folders of state: one in its memory, beside the control socket, and one on its disk,
// beside the journal.
type machine struct {
	t               *testing.T
	socket, journal string
	memory, copies  string
}

func newMachine(t *testing.T) *machine {
	m := &machine{t: t, socket: filepath.Join(t.TempDir(), "control"), journal: filepath.Join(t.TempDir(), "journal.db")}
	m.memory = runtimestate.Folder(m.socket)
	m.copies = runtimestate.CopyFolder(m.socket, m.journal)
	return m
}

// left returns what is in a folder at this moment.
func (m *machine) left(folder string) (files map[string]string) {
	m.t.Helper()
	files = map[string]string{}
	all, err := filepath.Glob(filepath.Join(folder, "*.json"))
	require.NoError(m.t, err)
	for _, path := range all {
		if text, err := os.ReadFile(path); err == nil { // it may just have been removed
			files[filepath.Base(path)] = string(text)
		}
	}
	return files
}

// put makes a folder with these files; nil: without the folder.
func (m *machine) put(folder string, files map[string]string) {
	m.t.Helper()
	require.NoError(m.t, os.RemoveAll(folder))
	if files == nil {
		return
	}
	require.NoError(m.t, os.Mkdir(folder, 0o700))
	for name, text := range files {
		require.NoError(m.t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600))
	}
}

// What a start finds decides which calls it takes up, and from which of them the machine's start separates it. No clock
// is asked. Afterwards, both folders have the same answered calls, and the first folder has the mark.
func TestStateAtAStart(t *testing.T) {
	t.Parallel()
	type files = map[string]string
	const up, other, rings = `{"Line":"box-office","Invite":null}`, `{"Line":"stage-door"}`, `{"Invite":{"Rang":true}}`
	here := `{"Boot":"` + registration.BootID() + `"}`
	for name, c := range map[string]struct {
		memory, disk files
		calls        map[supervision.CallID]string
		rebooted     string   // their numbers
		kept         []string // the files of calls in each folder afterwards
		onDisk       []string // the same, if the folders differ
	}{
		"nothing": {},
		"a power cut": {nil, files{"call-1.json": up, "call-2.json": other, "call-3.json": rings},
			map[supervision.CallID]string{1: up, 2: other, 3: rings}, "123",
			[]string{"call-1.json", "call-2.json"}, []string{"call-1.json", "call-2.json", "call-3.json"}},
		"a crash": {files{"start.json": here, "call-1.json": up, "call-3.json": rings}, nil,
			map[supervision.CallID]string{1: up, 3: rings}, "", []string{"call-1.json", "call-3.json"}, nil},
		"a crash, and copies of calls that have ended": {files{"start.json": here, "call-1.json": up},
			files{"call-1.json": other, "call-2.json": up}, map[supervision.CallID]string{1: up}, "",
			[]string{"call-1.json"}, nil},
		"a crash while calls are copied to memory": {files{"call-1.json": up, "adapter-box-office.json": "{}"},
			files{"call-1.json": other, "call-2.json": up}, map[supervision.CallID]string{1: up, 2: up}, "2",
			[]string{"call-1.json", "call-2.json"}, nil},
		"an older version": {files{"call-1.json": up}, nil, map[supervision.CallID]string{1: up}, "",
			[]string{"call-1.json"}, nil},
		"a power cut, and memory that outlives it": {files{"start.json": `{"Boot":"another"}`, "call-3.json": rings},
			nil, map[supervision.CallID]string{3: rings}, "3", []string{"call-3.json"}, nil},
		"damaged copies": {nil, files{"call-1.json": `{"Line":`, "call-01.json": up, "call-2.json": ""}, nil, "", nil, nil},
		"the boot is unknown": {files{"start.json": `{}`, "call-3.json": rings}, nil,
			map[supervision.CallID]string{3: rings}, "", []string{"call-3.json"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newMachine(t)
			m.put(m.memory, c.memory)
			m.put(m.copies, c.disk)
			d := &Daemon{log: zap.NewNop()}
			d.openState(m.socket, m.journal)
			calls, rebooted := d.savedCalls()
			require.Len(t, calls, len(c.calls))
			for call, state := range c.calls {
				require.JSONEq(t, state, string(calls[call]))
				require.Equal(t, strings.ContainsRune(c.rebooted, rune('0'+call)), rebooted[call], call)
			}
			d.closeRecords()
			if c.onDisk == nil {
				c.onDisk = c.kept
			}
			memory, disk := m.left(m.memory), m.left(m.copies)
			require.Contains(t, memory, "start.json")
			for folder, want := range map[*files][]string{&memory: c.kept, &disk: c.onDisk} {
				got := []string{}
				for name := range *folder {
					if strings.HasPrefix(name, callPrefix) {
						got = append(got, name)
					}
				}
				require.ElementsMatch(t, want, got)
			}
		})
	}
}

// The first folder cannot be read, perhaps because another daemon uses it: its calls may be up, so their copies are
// neither taken up nor removed. Two daemons with one journal have different copies.
func TestCopiesOfAnotherDaemon(t *testing.T) {
	t.Parallel()
	m := newMachine(t)
	first := &Daemon{log: zap.NewNop()}
	first.openState(m.socket, m.journal)
	first.savedCalls()
	first.saveCall(1, []byte(`{}`), nil)
	second := &Daemon{log: zap.NewNop()}
	second.openState(m.socket, m.journal)
	calls, _ := second.savedCalls()
	require.Empty(t, calls)
	require.Nil(t, second.copies)
	other := &Daemon{log: zap.NewNop()}
	other.openState(filepath.Join(t.TempDir(), "control"), m.journal)
	calls, _ = other.savedCalls()
	require.Empty(t, calls)
	for _, d := range []*Daemon{second, other, first} {
		d.closeRecords()
	}
	require.Contains(t, m.left(m.copies), "call-1.json")
	require.Contains(t, m.left(m.memory), "call-1.json")
}

// A call's answer does not wait for a copy, nor does the end of the daemon.
func TestCopiesThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	m := newMachine(t)
	require.NoError(t, os.WriteFile(m.copies, nil, 0o600))
	d := &Daemon{log: zap.NewNop()}
	d.openState(m.socket, m.journal)
	d.savedCalls()
	saved := make(chan error, 1)
	d.saveCall(1, []byte(`{}`), func(err error) { saved <- err })
	require.NoError(t, <-saved)
	d.closeRecords()
	require.Contains(t, m.left(m.memory), "call-1.json")
}

// party is one end of a call.
type party struct {
	*uatest.Peer
	mu   sync.Mutex
	reg  uatest.Message // the last REGISTER
	d    *uatest.Dialog // the call
	up   bool           // it has the call
	byes int
}

func newParty(t *testing.T, name string) *party {
	p := &party{Peer: uatest.New(t, name)}
	p.Peer.Serve(p.take)
	return p
}

func (p *party) take(m uatest.Message) {
	p.mu.Lock()
	defer p.mu.Unlock()
	_, method := m.CSeq()
	mine := p.d != nil && m.Get("Call-ID") == p.d.CallID
	sdp := uatest.Offer("127.0.0.1", 4000, "sendrecv")
	switch {
	case m.IsResponse():
		if method == "INVITE" && m.Is("200") {
			p.d.Established(m).Ack("")
			p.up = true
		}
	case method == "ACK":
	case method == "REGISTER":
		p.reg = m
		daemontest.Answer(p.Peer, m, "200 OK")
	case !strings.Contains(m.Get("To"), ";tag="):
		if method == "INVITE" {
			p.d, p.up = p.Called(m, "tag"), true
			p.Respond(m, 200, "tag", sdp)
			return
		}
		p.Respond(m, 200, "tag", "")
	case !mine || !p.up:
		p.Respond(m, 481, "", "")
	case method == "INVITE":
		p.Respond(m, 200, "", sdp)
	default:
		if method == "BYE" {
			p.up = false
			p.byes++
		}
		p.Respond(m, 200, "", "")
	}
}

// is waits until the party has done something.
func (p *party) is(what string, done func() bool) {
	p.T.Helper()
	require.Eventually(p.T, func() bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		return done()
	}, 20*time.Second, time.Millisecond, "%s: %s", p.Name, what)
}

// crash ends a daemon. Memory and disk are then as they were when it was killed; if the power was cut, only the disk.
func (m *machine) crash(d *Daemon, powerCut bool) {
	m.t.Helper()
	disk, memory := m.left(m.copies), m.left(m.memory)
	if powerCut {
		memory = nil
	}
	require.Empty(m.t, d.HandOver(context.Background(), context.Background())) // it sends nothing
	m.put(m.copies, disk)
	m.put(m.memory, memory)
}

// SAFETY.md S130. A call outlives several power cuts, and a kill right after one. When the far end has hung up
// meanwhile, the hold is cleared: the adapter still has the call, so the loop opens. Then nothing of the call is left.
func TestCallOutlivesPowerCuts(t *testing.T) {
	t.Parallel()
	m, board := newMachine(t), &daemontest.Board{}
	service, adapter := newParty(t, "service"), newParty(t, "box-office")
	c := daemontest.Load(t, daemontest.File(t, daemontest.Serve(t, board), service.At.String(), adapter.At.String()))
	c.Control.Socket, c.Journal.File = m.socket, m.journal
	d := m.run(c)
	service.is("registered", func() bool { return service.reg.Is("REGISTER") })
	service.mu.Lock()
	service.d = service.Call(strings.Trim(service.reg.Get("Contact"), "<>"), "<sip:555-0150@"+service.At.String()+">",
		c.SIP.ServiceSide.Listen, uatest.Offer("127.0.0.1", 4002, "sendrecv"))
	service.mu.Unlock()
	service.is("in the call", func() bool { return service.up })
	for _, powerCut := range []bool{true, false, true} {
		require.Eventually(t, func() bool { // its state is everywhere
			call := m.left(m.copies)["call-1.json"]
			return strings.Contains(call, `"Invite":null`) && m.left(m.memory)["call-1.json"] == call &&
				m.left(m.memory)["start.json"] != ""
		}, 20*time.Second, time.Millisecond)
		m.crash(d, powerCut)
		d = m.run(c)
		require.Equal(t, 1, d.Line("box-office").SIP().Status().Calls)
	}
	m.crash(d, true)
	service.mu.Lock()
	service.up = false
	service.mu.Unlock()
	adapter.is("still in the call", func() bool { return adapter.up && adapter.byes == 0 })
	before, _ := board.Moves()
	d = m.run(c)
	adapter.is("cleared", func() bool { return adapter.byes == 1 })
	require.Eventually(t, func() bool {
		moves, _ := board.Moves()
		opened := 0
		for _, open := range moves[len(before):] {
			if open {
				opened++
			}
		}
		return opened == 1 && !moves[len(moves)-1]
	}, 20*time.Second, time.Millisecond, "the loop opens once and closes")
	require.Empty(t, d.Shutdown(context.Background()))
	require.Empty(t, m.left(m.copies))
}

// run starts a daemon.
func (m *machine) run(c *config.Config) *Daemon {
	m.t.Helper()
	d, err := Start(c, Options{Logger: zap.NewNop()})
	require.NoError(m.t, err)
	m.t.Cleanup(func() { d.Shutdown(context.Background()) })
	return d
}
