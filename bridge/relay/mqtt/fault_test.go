package mqtt

import (
	"context"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// testBed is a driver with one contact, and its device.
type testBed struct {
	*Board
	t       *testing.T
	c       *Contact
	d       *device
	notices chan relay.Notice // buffer 1000: notices must not block, and a test sees far fewer
	unread  []relay.Notice
	seq     uint32
}

func newTestBed(t *testing.T, m *brokertest.Broker, device order, o Options,
	contact func(prefix string) ContactOptions) *testBed {
	t.Helper()
	prefix := "millrace/" + strings.ReplaceAll(t.Name(), "/", "-")
	all := order{"log": true}
	for k, v := range device {
		all[k] = v
	}
	if p, ok := all["plain"].(order); ok {
		q := order{"topics": []string{prefix + "/set"}}
		for k, v := range p {
			q[k] = v
		}
		all["plain"] = q
	}
	r := &testBed{t: t, d: newDevice(t, m, prefix, all), notices: make(chan relay.Notice, 1000)}
	o.Name, o.Notify = "broker", func(n relay.Notice) { r.notices <- n }
	if o.Address == "" {
		o.Address = "mqtt://" + m.Address()
	}
	if o.Timeout == 0 {
		o.Timeout = relaytest.Timeout(testTimeout)
	}
	var err error
	r.Board, err = NewBoard(o)
	require.NoError(t, err)
	c := contact(prefix)
	c.Name = "workshop"
	r.c, err = r.Contact(c)
	require.NoError(t, err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
		defer cancel()
		r.Shutdown(ctx)
	})
	return r
}

func contract(prefix string) ContactOptions { return ContactOptions{Prefix: prefix} }

func (r *testBed) start() *testBed {
	r.t.Helper()
	r.Start()
	ctx, cancel := context.WithTimeout(r.t.Context(), 5*time.Second)
	defer cancel()
	require.NoError(r.t, r.Ready(ctx))
	return r
}

func (r *testBed) interrupt(d time.Duration, opened func(time.Time)) relay.Result {
	r.seq++
	return r.c.Interrupt(r.t.Context(), relay.Interruption{Seq: r.seq, Duration: d,
		NotAfter: time.Now().Add(5 * time.Second), Opened: opened})
}

func (r *testBed) works() {
	r.t.Helper()
	until(r.t, "an interruption works", func() bool {
		return r.interrupt(20*time.Millisecond,
			nil).Outcome == relay.Done
	})
}

// notice waits for a notice of the given kind. Other kinds may arrive before it.
func (r *testBed) notice(k relay.NoticeKind) relay.Notice {
	r.t.Helper()
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	for {
		if i := slices.IndexFunc(r.unread, func(n relay.Notice) bool { return n.Kind == k }); i >= 0 {
			n := r.unread[i]
			r.unread = slices.Delete(r.unread, i, i+1)
			return n
		}
		select {
		case n := <-r.notices:
			r.unread = append(r.unread, n)
		case <-limit.C:
			r.t.Fatalf("no notice %v", k)
		}
	}
}

func until(t testing.TB, what string, cond func() bool) {
	t.Helper()
	tick := time.NewTicker(3 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(10 * time.Second); !cond(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("not in time: %s", what)
		}
	}
}

func openings(all []relaytest.Change) (n int) {
	for _, c := range all {
		if c.Open {
			n++
		}
	}
	return n
}

func TestBrokerRestarts(t *testing.T) {
	t.Parallel()
	m := brokertest.Own(t, brokertest.Anybody)
	r := newTestBed(t, m, nil, Options{}, contract).start()
	opened := make(chan time.Time, 1)
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() { result <- r.interrupt(200*time.Millisecond, func(at time.Time) { opened <- at }) }()
	<-opened
	m.Stop()
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	r.notice(relay.LinkLost)
	require.Equal(t, relay.Refused, r.interrupt(20*time.Millisecond, nil).Outcome, "without a broker")
	until(t, "the device has closed by itself", func() bool { return !r.d.isOpen() })
	require.NoError(t, m.Restart())
	r.notice(relay.LinkBack)
	require.Equal(t, 1, openings(r.d.changes()), "nothing was kept for the broker")
	r.works()
}

// TestFrozenBroker checks that an opening that a stopped broker delivers late opens nothing, since its token is old by
// then. A plain device does open, which is why it needs the user's consent.
func TestFrozenBroker(t *testing.T) {
	t.Parallel()
	frozen := func(t *testing.T, device order, contact func(string) ContactOptions, still time.Duration) *testBed {
		m := brokertest.Own(t, brokertest.Anybody)
		door := &closableDialer{}
		r := newTestBed(t, m, device, Options{Dial: door.dial}, contact).start()
		t.Cleanup(door.close)
		r.works()
		before := len(r.d.tell("look", nil).Seen)
		heard := func(opening bool) bool {
			return slices.ContainsFunc(r.d.tell("look", nil).Seen[before:], func(s [4]any) bool {
				return opening == (strings.HasSuffix(s[1].(string), "/pulse") || s[2] == "OPEN")
			})
		}
		require.NoError(t, m.Signal(syscall.SIGSTOP))
		thaw := time.NewTimer(still)
		defer thaw.Stop()
		result := make(chan relay.Result, 1) // the test may have failed by then
		go func() { result <- r.interrupt(2*time.Second, nil) }()
		door.shut(true) // the broker does not notice that the opening was given up
		require.Equal(t, relay.Unknown, (<-result).Outcome)
		<-thaw.C
		require.NoError(t, m.Signal(syscall.SIGCONT))
		until(t, "the opening comes late", func() bool { return heard(true) })
		door.shut(false)
		until(t, "a close comes behind it", func() bool { return heard(false) })
		require.NoError(t, r.c.Close(t.Context()))
		return r
	}
	t.Run("contract", func(t *testing.T) {
		t.Parallel()
		r := frozen(t, nil, contract, 2*TokenEvery+200*time.Millisecond)
		require.Equal(t, 1, openings(r.d.changes()))
		r.works()
	})
	t.Run("plain", func(t *testing.T) {
		t.Parallel()
		r := frozen(t, plainDevices["switched"], switched, 500*time.Millisecond)
		require.Equal(t, 2, openings(r.d.changes()), "then the consent would not be needed")
	})
}

// closableDialer makes connections to the broker, unless it is closed. If the driver ends one of them, the broker does
// not notice.
type closableDialer struct {
	mu     sync.Mutex
	closed bool
	conns  []net.Conn
}

type closableConn struct{ net.Conn }

// Close ends the connection only for the driver.
func (i closableConn) Close() error { return i.SetDeadline(time.Now()) }

func (d *closableDialer) dial(ctx context.Context, address string) (net.Conn, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil, os.ErrDeadlineExceeded
	}
	var dialer net.Dialer
	c, err := dialer.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	d.conns = append(d.conns, c)
	return closableConn{c}, nil
}

func (d *closableDialer) shut(closed bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = closed
}

func (d *closableDialer) close() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, c := range d.conns {
		c.Close()
	}
}

// daemon is a process that opens a contact and waits to be killed.
func daemon(address, prefix string) {
	b, err := NewBoard(Options{Name: "broker", Address: address, Timeout: testTimeout, NoLock: true})
	if err != nil {
		panic(err)
	}
	c, err := b.Contact(ContactOptions{Name: "workshop", Prefix: prefix, Limit: time.Minute})
	if err != nil {
		panic(err)
	}
	b.Start()
	if err := b.Ready(context.Background()); err != nil {
		panic(err)
	}
	c.Interrupt(context.Background(), relay.Interruption{Seq: 1, Duration: 30 * time.Second,
		NotAfter: time.Now().Add(5 * time.Second),
		Opened:   func(time.Time) { fmt.Println("open") }})
}

// If a daemon is killed, the broker closes its contact long before the opening's own end.
func TestKilledDaemon(t *testing.T) {
	t.Parallel()
	m := sharedBroker(t)
	prefix := "millrace/" + t.Name()
	d := newDevice(t, m, prefix, order{"limit": 60_000})
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "CLEARBACK_TEST_MQTT_ADDRESS=mqtt://"+m.Address(),
		"CLEARBACK_TEST_MQTT_PREFIX="+prefix)
	p := programtest.Start(t, cmd)
	p.Await(t, "open", time.Minute)
	require.True(t, d.isOpen())
	late := relaytest.Allowance(t)
	killed := time.Now()
	p.Kill()
	until(t, "closed", func() bool { return !d.isOpen() })
	t.Logf("closed at most %v after the kill", time.Since(killed))
	require.Less(t, time.Since(killed), time.Second+late())
}

// blackholeConn is a link that loses all packets silently once active is closed.
type blackholeConn struct {
	net.Conn
	active chan struct{}
}

func (h *blackholeConn) Write(b []byte) (int, error) {
	select {
	case <-h.active:
		return len(b), nil
	default:
		return h.Conn.Write(b)
	}
}

func (h *blackholeConn) Read(b []byte) (int, error) {
	n, err := h.Conn.Read(b)
	select {
	case <-h.active:
		return 0, io.EOF
	default:
		return n, err
	}
}

// Close does not reach the broker until the test is over.
func (h *blackholeConn) Close() error {
	select {
	case <-h.active:
		return h.SetDeadline(time.Now())
	default:
		return h.Conn.Close()
	}
}

var long = flag.Bool("long", false, "run what waits for seconds")

// A cut cable is not reported to the broker. The broker closes the contact after one and a half keep-alives; mosquitto
// 2.0 checks every 5 s.
func TestCutCable(t *testing.T) {
	if !*long {
		t.Skip("waits for seconds; run it with -long")
	}
	t.Parallel()
	dug := make(chan struct{})
	var first *blackholeConn
	o := Options{KeepAlive: time.Second, Dial: func(ctx context.Context, address string) (net.Conn, error) {
		if first != nil {
			return nil, os.ErrDeadlineExceeded
		}
		var d net.Dialer
		c, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, err
		}
		first = &blackholeConn{Conn: c, active: dug}
		return first, nil
	}}
	r := newTestBed(t, sharedBroker(t), order{"limit": 60_000}, o,
		func(prefix string) ContactOptions { return ContactOptions{Prefix: prefix, Limit: time.Minute} }).start()
	t.Cleanup(func() { first.Conn.Close() })
	opened := make(chan time.Time, 1)
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() { result <- r.interrupt(30*time.Second, func(at time.Time) { opened <- at }) }()
	<-opened
	cut := time.Now()
	close(dug)
	until(t, "the broker closes", func() bool { return !r.d.isOpen() })
	t.Logf("closed at most %v after the cut", time.Since(cut))
	require.Less(t, time.Since(cut), 8*time.Second)
	require.Equal(t, relay.Unknown, (<-result).Outcome)
}

// A command without a subscriber is reported as such. A hung device affects only its own line.
func TestNoSubscriberAndHungDevice(t *testing.T) {
	t.Parallel()
	m := sharedBroker(t)
	r := newTestBed(t, m, nil, Options{}, contract)
	absent, err := r.Contact(ContactOptions{Name: "green-room", Prefix: "millrace/nobody"})
	require.NoError(t, err)
	r.Start()
	n := r.notice(relay.CloseFailing)
	require.Equal(t, "green-room", n.Contact)
	require.ErrorIs(t, r.notice(relay.LinkLost).Err, broker.ErrNoSubscriber)
	r.works()
	res := absent.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: time.Second,
		NotAfter: time.Now().Add(time.Second)})
	require.Equal(t, relay.Refused, res.Outcome)
	require.ErrorIs(t, res.Err, relay.ErrUnreachable)
	require.ErrorContains(t, res.Err, "no client is subscribed")
}

// A device that disconnects after the driver has connected has certainly not opened.
func TestDeviceGone(t *testing.T) {
	t.Parallel()
	m := sharedBroker(t)
	d := newDevice(t, m, "millrace/"+t.Name(), nil)
	b, err := broker.New(broker.Options{Address: "mqtt://" + m.Address(), Timeout: testTimeout, KeepAlive: time.Second})
	require.NoError(t, err)
	c, err := b.Dial(t.Context(), broker.Session{ClientID: broker.Unique(),
		Will: broker.Message{Topic: "millrace/nothing"}, Receive: func(*broker.Conn, broker.Publication) {}})
	require.NoError(t, err)
	defer c.Reset()
	require.NoError(t, c.Publish(t.Context(), broker.Message{Topic: d.prefix + "/read", Payload: []byte("{}")}, nil))
	require.ErrorIs(t, c.Publish(t.Context(), broker.Message{Topic: d.prefix + "/nothing"}, nil),
		broker.ErrNoSubscriber)
	require.ErrorIs(t, c.Publish(t.Context(), broker.Message{Topic: d.prefix + "/read"},
		func() error { return relay.ErrLate }), relay.ErrLate)
}

// A state that names another master or another command answers nothing.
func TestForeignAnswers(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, sharedBroker(t), nil, Options{}, contract).start()
	r.d.tell("fault", order{"fault": order{"do": "ignore", "on": "opening", "once": true}})
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() { result <- r.interrupt(2*time.Second, nil) }()
	until(t, "the pulse was sent", func() bool {
		s := r.d.tell("look", nil).Seen
		return strings.HasSuffix(s[len(s)-1][1].(string), "/pulse")
	})
	for seq := range 10 {
		r.d.tell("publish", order{"topic": r.d.prefix + "/state",
			"payload": fmt.Sprintf(`{"online":true,"from":"x","seq":%d,"result":"done","open":true,"token":"t"}`, seq)})
	}
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	require.NoError(t, r.c.Close(t.Context()))
	r.works()
}

// If a device publishes an invalid state during an opening, the connection ends and the contact is closed.
func TestInvalidStateWhileOpen(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, sharedBroker(t), nil, Options{}, contract).start()
	late := relaytest.Allowance(t)
	for _, payload := range []string{"{", "\x00\x01", "[]", `{"online":"perhaps"}`} {
		// opened is closed when the loop is open. The test may have failed before it reads result.
		opened, result := make(chan struct{}), make(chan relay.Result, 1)
		go func() { result <- r.interrupt(2*time.Second, func(time.Time) { close(opened) }) }()
		<-opened
		began := time.Now()
		r.d.tell("publish", order{"topic": r.d.prefix + "/state", "payload": payload})
		require.Equal(t, relay.Unknown, (<-result).Outcome, "%.20q", payload)
		require.NoError(t, r.c.Close(t.Context()))
		require.False(t, r.d.isOpen())
		require.Less(t, time.Since(began), time.Second+late(), "long before its time is over")
		r.works()
	}
}

// The broker retains no command of the driver, and a device obeys no retained command.
func TestRetainedMessages(t *testing.T) {
	t.Parallel()
	m := sharedBroker(t)
	r := newTestBed(t, m, nil, Options{}, contract).start()
	r.works()
	b, err := broker.New(broker.Options{Address: "mqtt://" + m.Address(), Timeout: testTimeout, KeepAlive: time.Second})
	require.NoError(t, err)
	kept := make(chan broker.Publication, 10)
	topics := []string{TopicPulse, TopicClose, TopicRead, TopicState}
	s := broker.Session{ClientID: broker.Unique(), Will: broker.Message{Topic: "millrace/nothing"},
		Receive: func(_ *broker.Conn, r broker.Publication) {
			if r.Retained {
				kept <- r
			}
		}}
	for _, topic := range topics {
		s.Subscribe = append(s.Subscribe, broker.Subscription{Topic: r.d.prefix + "/" + topic})
	}
	c, err := b.Dial(t.Context(), s)
	require.NoError(t, err)
	require.Equal(t, r.d.prefix+"/state", (<-kept).Topic)
	require.Empty(t, kept)
	// Another client leaves a retained command for a device that connects later.
	late := broker.Message{Topic: r.d.prefix + "-late/pulse", Payload: []byte(`{"from":"x","seq":1,"ms":500}`),
		Retain: true}
	require.ErrorIs(t, c.Publish(t.Context(), late, nil), broker.ErrNoSubscriber)
	c.Leave(false)
	d := newDevice(t, m, r.d.prefix+"-late", order{"log": true})
	until(t, "the device hears of it", func() bool { return len(d.tell("look", nil).Seen) > 0 })
	require.Equal(t, true, d.tell("look", nil).Seen[0][3], "as of something old")
	require.Zero(t, d.tell("look", nil).Obeyed)
}
