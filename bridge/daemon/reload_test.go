package daemon

import (
	"context"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/sipua/uatest"
	"clearback/config"
	"clearback/supervision"
)

// reloadBed is a daemon with its file, two boards of four coils, an adapter for box-office and one service for all
// lines.
type reloadBed struct {
	t       *testing.T
	path    string
	boards  map[string]*modbustest.Board // cabinet, attic
	adapter *daemontest.Adapter
	service string
	sip     [2]string
	d       *Daemon
	logs    *observer.ObservedLogs

	mu         sync.Mutex
	registered []string // "USER EXPIRES" of each REGISTER at the service
	states     []string // what the service manager was told
}

// bedLine is an entry of lines: in the file of a reloadBed.
type bedLine struct {
	name, controller string
	coil             int
	more             string // further keys, in flow style
}

func newReloadBed(t *testing.T, lines ...bedLine) *reloadBed {
	b := &reloadBed{t: t, path: filepath.Join(t.TempDir(), "clearback.yaml"), boards: map[string]*modbustest.Board{},
		adapter: daemontest.NewAdapter(t), sip: [2]string{daemontest.FreePort(t), daemontest.FreePort(t)}}
	for _, name := range []string{"cabinet", "attic"} {
		b.boards[name] = modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})
	}
	p := uatest.New(t, "service")
	p.Serve(func(m uatest.Message) {
		if m.Is("REGISTER") {
			user, _, _ := strings.Cut(strings.TrimPrefix(uatest.URI(m.Get("To")), "sip:"), "@")
			b.mu.Lock()
			b.registered = append(b.registered, user+" "+m.Get("Expires"))
			b.mu.Unlock()
		}
		if !m.IsResponse() && !m.Is("ACK") {
			daemontest.Answer(p, m, "200 OK")
		}
	})
	b.service = p.At.String()
	b.write(lines...)
	core, logs := observer.New(zap.InfoLevel)
	b.logs = logs
	d, err := Start(daemontest.Load(t, b.path), Options{Path: b.path, Logger: zap.New(core),
		closeFor: time.Second, Notify: func(state string) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.states = append(b.states, state)
		}})
	require.NoError(t, err)
	b.d = d
	t.Cleanup(func() { d.Shutdown(t.Context()) })
	for _, l := range lines {
		b.eventually("registered", func() bool { return d.Line(l.name).SIP().Status().Service.Registered })
		// Until the close at the start is confirmed, a change of the line waits.
		b.eventually("idle", d.Line(l.name).line.Idle)
	}
	return b
}

// text returns the file. The controllers are those that a line names.
func (b *reloadBed) text(lines ...bedLine) string {
	var s strings.Builder
	fmt.Fprintf(&s, "country: US\nsip:\n  adapter_side: {listen: %q, transports: [udp]}\n"+
		"  service_side: {listen: %q, transports: [udp]}\njournal: {file: none}\ncontrol: {socket: none}\ncontrollers:\n",
		b.sip[0], b.sip[1])
	for _, name := range []string{"cabinet", "attic"} {
		if slices.ContainsFunc(lines, func(l bedLine) bool { return l.controller == name }) {
			fmt.Fprintf(&s, "  - {name: %s, driver: modbus, modbus: {address: %q}}\n", name,
				b.boards[name].Address())
		}
	}
	s.WriteString("lines:\n")
	for _, l := range lines {
		fmt.Fprintf(&s, "  - name: %s\n    adapter: {user: %[1]s, contact: \"sip:%[1]s@%s\"}\n"+
			"    service: {registrar: \"sip:%s\", user: \"555-01%02d\", password: {env: MILLRACE_SERVICE}}\n    media: direct\n",
			l.name, b.adapter.Addr(), b.service, 10+slices.Index([]string{"box-office", "stage-door", "workshop",
				"green-room"}, l.name))
		if l.controller == "" {
			s.WriteString("    contact: {driver: none}\n")
		} else {
			fmt.Fprintf(&s, "    contact: {driver: modbus, controller: %s, unit: 1, coil: %d, open_level: on, accept_open_if_daemon_dies: true}\n",
				l.controller, l.coil)
		}
		if l.more != "" {
			fmt.Fprintf(&s, "    %s\n", l.more)
		}
	}
	return s.String()
}

func (b *reloadBed) write(lines ...bedLine) {
	require.NoError(b.t, os.WriteFile(b.path, []byte(b.text(lines...)), 0o600))
}

// reload writes the file and loads it.
func (b *reloadBed) reload(lines ...bedLine) control.Reload {
	b.t.Helper()
	b.write(lines...)
	r, err := b.d.Backend().Reload()
	require.NoError(b.t, err)
	return r
}

func (b *reloadBed) eventually(what string, f func() bool) {
	b.t.Helper()
	require.Eventually(b.t, f, 5*time.Second, time.Millisecond, what)
}

// ready waits until every controller has confirmed the closings with which its connection begins. A fault for a closing
// that is injected earlier may meet one of those.
func (b *reloadBed) ready() {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.t.Context(), 5*time.Second)
	defer cancel()
	require.NoError(b.t, b.d.contacts.Ready(ctx))
}

// registers returns the REGISTERs of a user so far.
func (b *reloadBed) registers(user string) (all []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.registered {
		if who, expires, _ := strings.Cut(r, " "); who == user {
			all = append(all, expires)
		}
	}
	return all
}

// call has the adapter of box-office make a call, which the service answers.
func (b *reloadBed) call() {
	b.adapter.Send(b.sip[0], "INVITE", 1, "<sip:555-0151@"+b.sip[0]+">")
	b.eventually("answered", func() bool { return b.adapter.Answered() != "" })
	b.adapter.Send(b.sip[0], "ACK", 1, b.adapter.Answered())
}

func (b *reloadBed) hangUp() { b.adapter.Send(b.sip[0], "BYE", 2, b.adapter.Answered()) }

// pulse opens the loop of a line by hand, for its own interval.
func (b *reloadBed) pulse(line string) control.Pulse {
	b.t.Helper()
	p, err := b.d.Backend().Pulse(b.t.Context(), line, 250*time.Millisecond)
	require.NoError(b.t, err)
	require.Empty(b.t, p.Refused)
	require.NotZero(b.t, p.Measured)
	return p
}

func (b *reloadBed) contact(line int) control.Contact {
	return b.d.Backend().Daemon().Lines[line].Contact
}

func (b *reloadBed) waiting() []control.Waiting { return b.d.Backend().Daemon().Waiting }

var (
	boxOffice = bedLine{name: "box-office", controller: "cabinet"}
	stageDoor = bedLine{name: "stage-door", controller: "cabinet", coil: 1}
	workshop  = bedLine{name: "workshop", controller: "attic"}
	greenRoom = bedLine{name: "green-room"}
)

// SAFETY S124: lines are added, changed and removed while another line has a call, and neither that call nor the
// registration of that line is touched.
func TestReloadLeavesOtherLinesAlone(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, workshop, greenRoom)
	b.call()
	up := b.d.Line("box-office").View().Calls
	require.Len(t, up, 1)
	greenRoom := greenRoom
	greenRoom.more = "location: The second floor"
	door := bedLine{name: "stage-door", controller: "attic", coil: 2}
	r := b.reload(boxOffice, door, greenRoom)
	require.Equal(t, control.Reload{Added: []string{"stage-door"}, Changed: []string{"green-room"},
		Removed: []string{"workshop"}, Kept: []string{"box-office"}, Controllers: []string{"attic"},
		Waiting: []control.Waiting{}}, r)

	require.Equal(t, up, b.d.Line("box-office").View().Calls)
	require.Equal(t, []string{"3600"}, b.registers("555-0110"))
	require.Equal(t, []bool{false}, b.boards["cabinet"].Writes(0), "closed at the start")
	require.Equal(t, []string{"3600"}, b.registers("555-0113"), "a location is nothing to register for")
	require.Equal(t, "The second floor", b.d.Backend().Daemon().Lines[2].Location)
	require.Nil(t, b.d.Line("workshop"))
	b.eventually("unregistered", func() bool { return slices.Equal(b.registers("555-0112"), []string{"3600", "0"}) })
	b.eventually("registered", func() bool { return b.d.Line("stage-door").SIP().Status().Service.Registered })
	require.Equal(t, []bool{false, false, false}, b.boards["attic"].Writes(0), "the contact that goes away is closed last")
	b.pulse("stage-door")
	require.Equal(t, []bool{false, true, false}, b.boards["attic"].Writes(2))
	b.hangUp()
	b.eventually("over", func() bool { return len(b.d.Line("box-office").View().Calls) == 0 })
}

// SAFETY S126: a line that has a call is changed once the call is over, and removed once the call is over.
func TestReloadWaitsForTheCall(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, workshop)
	b.call()
	louder := boxOffice
	louder.more = "policy: {interval: 700ms}"
	r := b.reload(louder, workshop)
	require.Equal(t, []string{"box-office"}, r.Changed)
	require.Len(t, r.Waiting, 1)
	require.Contains(t, r.Waiting[0].Why, "box-office: call 1 is up")
	require.Equal(t, r.Waiting, b.waiting())
	require.Equal(t, 800*time.Millisecond, b.d.Line("box-office").View().Interval)
	require.Empty(t, b.d.Backend().Daemon().Edited, "the file is loaded")

	r = b.reload(workshop)
	require.Equal(t, []string{"box-office"}, r.Removed, "a later file counts")
	require.NotNil(t, b.d.Line("box-office"))
	require.Len(t, b.d.Line("box-office").View().Calls, 1)
	b.hangUp()
	b.eventually("removed", func() bool { return b.d.Line("box-office") == nil })
	b.eventually("done", func() bool { return len(b.waiting()) == 0 })
	require.Equal(t, []string{"workshop"}, r.Kept)
}

// SAFETY S126: the call-back window after an emergency call is not cut, on the line or on another line of the same
// controller.
func TestReloadWaitsForTheCallBackWindow(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, stageDoor)
	l := b.d.Line("box-office")
	l.line.Post(supervision.Event{Kind: supervision.CallRequested, Call: 900, Emergency: true})
	require.Contains(t, b.reload(stageDoor).Waiting[0].Why, "box-office: EMERGENCY call 900")
	l.line.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 900})
	l.line.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 900})
	b.eventually("over", func() bool { return len(l.View().Calls) == 0 })
	r := b.reload(stageDoor)
	require.Len(t, r.Waiting, 2, "the controller gets other contacts")
	require.Contains(t, r.Waiting[0].Why, "box-office: the emergency centre may call back until")
	require.Equal(t, []string{"removed", "controller"}, []string{r.Waiting[0].Change, r.Waiting[1].Change})
	require.Same(t, l, b.d.Line("box-office"))
	require.Equal(t, []bool{false}, b.boards["cabinet"].Writes(1))

	require.Empty(t, b.reload(boxOffice, stageDoor).Waiting, "the file is what runs again")
	door := b.d.Line("stage-door")
	door.mu.Lock()
	door.secondTest = &secondServerTest{stop: func() {}}
	door.mu.Unlock()
	require.Contains(t, door.beginChange(), "second server is being tested")
	require.Same(t, l, b.d.Line("box-office"))
}

// Lines that exchange their accounts change together.
func TestReloadExchangesAccounts(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, greenRoom, workshop)
	b.call()
	text := b.text(boxOffice, greenRoom, workshop)
	text = strings.NewReplacer("user: box-office,", "user: green-room,", "user: green-room,", "user: box-office,").
		Replace(text)
	text = strings.Replace(text, "name: workshop", "name: workshop\n    location: the yard", 1)
	require.NoError(t, os.WriteFile(b.path, []byte(text), 0o600))
	r, err := b.d.Backend().Reload()
	require.NoError(t, err)
	require.Equal(t, []string{"box-office", "green-room", "workshop"}, r.Changed)
	require.Len(t, r.Waiting, 2)
	require.Equal(t, []string{"box-office", "green-room"}, []string{r.Waiting[0].Line, r.Waiting[1].Line})
	require.Equal(t, "green-room", b.d.Line("green-room").Config().Adapter.User)
	b.hangUp()
	b.eventually("changed", func() bool { return len(b.waiting()) == 0 })
	require.Equal(t, "box-office", b.d.Line("green-room").Config().Adapter.User)
	require.Equal(t, "green-room", b.d.Line("box-office").Config().Adapter.User)
}

// SAFETY S125: a file with faults changes nothing, and every fault is named.
func TestReloadOfAFaultyFile(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	before := b.d.Line("box-office").Config()
	broken := strings.Replace(b.text(boxOffice, greenRoom), "driver: none", "driver: abacus", 1)
	require.NoError(t, os.WriteFile(b.path, []byte(strings.Replace(broken, "country: US", "country: U", 1)), 0o600))
	_, err := b.d.Backend().Reload()
	var e *control.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, control.ReasonFaults, e.Reason)
	require.Contains(t, e.Text, b.path+":1:10: ")
	require.Contains(t, e.Text, "abacus")
	require.Len(t, strings.Split(e.Text, "\n"), 2)
	require.Same(t, before, b.d.Line("box-office").Config())
	require.Nil(t, b.d.Line("green-room"))
	require.Contains(t, b.d.Backend().Daemon().Edited, "was edited and is not loaded")
	_, again := b.d.Backend().Reload()
	require.Equal(t, err, again)
	require.Equal(t, 1, b.logs.FilterMessageSnippet("was not reloaded").Len(), "the same outcome is logged once")
	require.NoError(t, os.Remove(b.path))
	_, err = b.d.Backend().Reload()
	require.ErrorContains(t, err, "read the configuration")
	require.Contains(t, b.d.Backend().Daemon().Edited, "cannot be read any more")
}

// SAFETY S125: a change that needs a restart is named with its place, and the whole file is left out.
func TestReloadThatNeedsARestart(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	text := strings.Replace(b.text(boxOffice, greenRoom), "media: direct", "media: relay", 1)
	text = strings.Replace(text, "journal:", "log: {level: debug}\njournal:", 1)
	text = strings.Replace(text, "country: US", "country: CA", 1)
	own := fmt.Sprintf("socket: {listen: %q, transports: [udp]}, ", daemontest.FreePort(t))
	text = strings.Replace(text, "adapter: {user: green-room, ", "adapter: {"+own+"user: green-room, ", 1)
	require.NoError(t, os.WriteFile(b.path, []byte(text), 0o600))
	_, err := b.d.Backend().Reload()
	var e *control.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, control.ReasonRestart, e.Reason)
	for _, part := range []string{":1:10: country: changes only", ":5:6: log: changes only", "lines[0].media: no line relayed",
		"lines[1]: its adapter or service has a socket"} {
		require.Contains(t, e.Text, part)
	}
	require.Len(t, strings.Split(e.Text, "\n"), 4)
	require.Nil(t, b.d.Line("green-room"))
}

// The daemon's own interval, written by `keep` or `tune --write`, is no edit. Any other edit stays one, and it is not
// loaded with the interval.
func TestIntervalWrittenByACommand(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, greenRoom)
	edited := func() string { return b.d.Backend().Daemon().Edited }
	set := func(interval time.Duration) {
		require.NoError(t, config.SetTuned(b.path, "box-office", interval, 0))
		require.NotEmpty(t, edited(), "until the daemon is told")
		require.NoError(t, b.d.Backend().SetInterval("box-office", interval))
	}
	set(700 * time.Millisecond)
	require.Empty(t, edited())
	r, err := b.d.Backend().Reload()
	require.NoError(t, err)
	require.Equal(t, []string{"box-office", "green-room"}, r.Kept)

	room := greenRoom
	room.more = "location: The second floor"
	office := boxOffice
	office.more = "policy: {interval: 700ms}"
	b.write(office, room)
	set(650 * time.Millisecond)
	require.Contains(t, edited(), "was edited and is not loaded")
	require.Empty(t, b.d.Line("green-room").Config().Location, "the edit is not loaded")
	text, err := os.ReadFile(b.path)
	require.NoError(t, err)
	require.Contains(t, string(text), "The second floor", "nor lost")
	require.Equal(t, 650*time.Millisecond, b.d.Line("box-office").View().Interval)
	_, err = b.d.Backend().Reload()
	require.NoError(t, err)
	require.Empty(t, edited())
	require.Equal(t, 650*time.Millisecond, b.d.Line("box-office").View().Interval)

	require.NoError(t, os.Chtimes(b.path, time.Now(), time.Now().Add(time.Hour)))
	require.Empty(t, edited(), "only the text counts")
}

// An interval is not set while a reload may be about to set that of the file.
func TestIntervalBesideAReload(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	is := func(interval time.Duration) func() bool {
		return func() bool { return b.d.Line("box-office").View().Interval == interval }
	}
	b.d.reloads.mu.Lock()
	set := make(chan error, 1) // one result
	go func() { set <- b.d.Backend().SetInterval("box-office", 700*time.Millisecond) }()
	assert.Never(t, is(700*time.Millisecond), 10*time.Millisecond, time.Millisecond)
	b.d.reloads.mu.Unlock()
	require.NoError(t, <-set)
	require.True(t, is(700*time.Millisecond)())
}

// A reload reads the secrets again, and they are not logged.
func TestReloadReadsSecrets(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	secret := filepath.Join(filepath.Dir(b.path), "password")
	require.NoError(t, os.WriteFile(secret, []byte("curtain-1"), 0o600))
	text := strings.Replace(b.text(boxOffice), "{env: MILLRACE_SERVICE}", "{file: password}", 1)
	require.NoError(t, os.WriteFile(b.path, []byte(text), 0o600))
	for _, password := range []string{"curtain-1", "curtain-2"} {
		require.NoError(t, os.WriteFile(secret, []byte(password), 0o600))
		r, err := b.d.Backend().Reload()
		require.NoError(t, err)
		require.Equal(t, []string{"box-office"}, r.Changed)
		require.Equal(t, password, b.d.Line("box-office").Config().Service.Password.Reveal())
	}
	for _, e := range b.logs.All() {
		require.NotContains(t, fmt.Sprint(e.Message, e.ContextMap()), "curtain-")
	}
}

// A call for help is put through while reload follows reload, also on the line that changes.
func TestReloadsAndACallForHelp(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice, stageDoor)
	stop, reloads := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for ; ; n++ {
			select {
			case <-stop:
				reloads <- n
				return
			default:
			}
			door := stageDoor
			door.more = fmt.Sprintf("calls: %d", 2+n%2)
			office := boxOffice
			office.more = door.more
			b.write(office, door)
			_, _ = b.d.Backend().Reload()
		}
	}()
	caller := uatest.New(t, "box-office")
	at := netip.MustParseAddrPort(b.sip[0])
	for range 20 {
		call := caller.Call("sip:911@"+b.sip[0], "<sip:box-office@"+b.sip[0]+">", at, "")
		call.Established(caller.ExpectFinal("200"))
		call.Ack("")
		call.Request("BYE", "")
		caller.ExpectOf("200", "BYE")
	}
	close(stop)
	require.Positive(t, <-reloads)
}

// SIGHUP reloads the file and does not end the daemon. The service manager is told when a reload begins and ends.
func TestHangupReloads(t *testing.T) {
	t.Parallel()
	b := newReloadBed(t, boxOffice)
	b.write(boxOffice, greenRoom)
	signals, hangups := make(chan os.Signal, 2), make(chan os.Signal, 1)
	ended := make(chan os.Signal)
	go func() { ended <- awaitEnd(b.d, signals, hangups) }()
	hangups <- syscall.SIGHUP
	b.eventually("loaded", func() bool { return b.d.Line("green-room") != nil })
	signals <- syscall.SIGTERM
	require.Equal(t, syscall.SIGTERM, <-ended)
	b.eventually("told", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.states) == 2 })
	assert.Regexp(t, `^RELOADING=1\nMONOTONIC_USEC=\d+$`, b.states[0])
	assert.Equal(t, "READY=1", b.states[1])
	b.d.reloads.tellLast("STOPPING=1")
	b.d.reloads.tell("READY=1") // the end of a reload under way
	assert.Equal(t, "STOPPING=1", b.states[len(b.states)-1])
}
