package modbus

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// scriptedSerialLine is a serial line on which the test itself gives every answer.
type scriptedSerialLine struct {
	t *testing.T
	*terminal
}

func newScriptedSerialLine(t *testing.T) *scriptedSerialLine {
	p, err := newTerminal()
	require.NoError(t, err)
	t.Cleanup(p.Close)
	return &scriptedSerialLine{t, p}
}

// next returns the next request, without its checksum. The driver's requests have 8 bytes.
func (h *scriptedSerialLine) next() []byte {
	h.t.Helper()
	b := make([]byte, 0, 64)
	for len(b) < 8 {
		require.NoError(h.t, h.master.SetReadDeadline(time.Now().Add(5*time.Second)))
		n, err := h.master.Read(b[len(b):cap(b)])
		require.NoError(h.t, err, "after % x", b)
		b = b[:len(b)+n]
	}
	require.Len(h.t, b, 8)
	require.Equal(h.t, modbustest.RTU(b[0], b[1:6]...), b, "checksum")
	return b[:6]
}

func (h *scriptedSerialLine) expect(unit byte, pdu []byte) {
	h.t.Helper()
	require.Equal(h.t, append([]byte{unit}, pdu...), h.next())
}

func (h *scriptedSerialLine) send(b []byte) {
	h.t.Helper()
	_, err := h.master.Write(b)
	require.NoError(h.t, err)
}

func (h *scriptedSerialLine) answer(unit byte, pdu ...byte) {
	h.t.Helper()
	h.send(modbustest.RTU(unit, pdu...))
}

func (h *scriptedSerialLine) echo(unit byte, pdu []byte) {
	h.t.Helper()
	h.expect(unit, pdu)
	h.answer(unit, pdu...)
}

func (h *scriptedSerialLine) reads(unit byte, level byte) {
	h.t.Helper()
	h.expect(unit, readCoils(3, 1))
	h.answer(unit, 1, 1, level)
}

// greet answers the first requests of a session with a unit.
func (h *scriptedSerialLine) greet(unit byte) {
	h.t.Helper()
	h.echo(unit, closeIt)
	h.reads(unit, 0)
}

// busDriver is a bus with a contact at coil 3 of each unit. It never polls. Without units it is not started.
type busDriver struct {
	*Bus
	t        *testing.T
	contacts []*Contact
	notices  chan relay.Notice
	timeout  time.Duration
}

func driveBus(t *testing.T, device string, change func(*BusOptions), units ...uint8) *busDriver {
	t.Helper()
	d := &busDriver{t: t, notices: make(chan relay.Notice, 1000)} // notices must not block; a run has fewer
	o := BusOptions{Name: "bus", Device: device, Baud: 115_200, Timeout: relaytest.Timeout(testTimeout),
		Poll: time.Hour, Notify: func(n relay.Notice) { d.notices <- n }}
	if change != nil {
		change(&o)
	}
	d.timeout = o.Timeout
	var err error
	d.Bus, err = NewBus(o)
	require.NoError(t, err)
	for i, u := range units {
		c, err := d.Contact(ContactOptions{Name: []string{"box-office", "stage-door"}[i], Unit: u, Coil: 3,
			OpenOn: true})
		require.NoError(t, err)
		d.contacts = append(d.contacts, c)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		d.Shutdown(ctx)
	})
	if len(units) > 0 {
		d.Start()
	}
	return d
}

func (d *busDriver) ready() {
	d.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(d.t, d.Ready(ctx))
}

// interrupt opens contact i. The opening may have to wait for another unit's time-out, which is longer on a slow
// machine.
func (d *busDriver) interrupt(i int, length time.Duration) <-chan relay.Result {
	ch := make(chan relay.Result, 1) // the test may have failed by then
	go func() {
		now := time.Now()
		ch <- d.contacts[i].Interrupt(context.Background(), relay.Interruption{Seq: uint32(now.UnixNano()),
			Duration: length, NotAfter: now.Add(time.Second + d.timeout)})
	}()
	return ch
}

func (d *busDriver) close(i int) <-chan error {
	ch := make(chan error, 1) // as in interrupt
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		ch <- d.contacts[i].Close(ctx)
	}()
	return ch
}

// notice waits for a notice of the given kind.
func (d *busDriver) notice(k relay.NoticeKind) relay.Notice {
	d.t.Helper()
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	for {
		select {
		case n := <-d.notices:
			if n.Kind == k {
				return n
			}
		case <-limit.C:
			d.t.Fatalf("no notice %v", k)
		}
	}
}

// queued waits until n requests are in the driver's queue.
func (d *busDriver) queued(n int) {
	d.t.Helper()
	require.Eventually(d.t, func() bool {
		d.master.mu.Lock()
		defer d.master.mu.Unlock()
		return len(d.master.queue) == n
	}, 5*time.Second, time.Millisecond)
}

// A close is sent before all other requests that wait.
func TestBusSendsClosesFirst(t *testing.T) {
	t.Parallel()
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1, 2)
	for range 2 {
		h.greetAny()
	}
	d.ready()
	result := d.interrupt(0, time.Second)
	h.expect(1, openIt)
	reading := make(chan error, 1) // as in interrupt
	go func() {
		_, err := d.contacts[1].Read(context.Background())
		reading <- err
	}()
	d.queued(1)
	other := d.interrupt(1, 10*time.Millisecond)
	d.queued(2)
	closed := d.close(0)
	d.queued(4) // its own close, and the close of the opening that it ends
	h.answer(1, openIt...)
	h.echo(1, closeIt)
	// The other requests to unit 1 and the reading of unit 2 come in any order.
	q := h.next()
	for ; q[0] == 1 || q[1] == 1; q = h.next() {
		if q[1] == 1 {
			h.answer(q[0], 1, 1, 0)
		} else {
			require.Equal(t, closeIt, q[1:])
			h.answer(1, closeIt...)
		}
	}
	require.Equal(t, append([]byte{2}, openIt...), q, "an opening is last")
	require.NoError(t, <-reading)
	h.answer(2, openIt...)
	h.reads(2, 1)
	h.greet(2)
	require.Equal(t, relay.Done, (<-other).Outcome)
	require.NoError(t, <-closed)
	require.Equal(t, relay.Done, (<-result).Outcome)
}

// While a loop is open, no request goes to a silent unit, and none that would not be answered before the end of the
// opening.
func TestBusKeepsClearOfTheEndOfAnOpening(t *testing.T) {
	t.Parallel()
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1, 2)
	for greeted, silent := 0, 0; greeted < 2 || silent < 2; {
		q := h.next()
		switch {
		case q[0] == 2:
			silent++ // after the second failure it is due in three time-outs, if no request goes before
		case q[1] == 5:
			h.answer(1, closeIt...)
			greeted++
		default:
			h.answer(1, 1, 1, 0)
			greeted++
		}
	}
	result := d.interrupt(0, 4*d.timeout)
	h.echo(1, openIt)
	h.reads(1, 1)
	h.greet(1) // the next request on the line
	require.Equal(t, relay.Done, (<-result).Outcome)

	h.greet(2)
	d.ready()
	level := make(chan relay.Level, 1) // as in interrupt
	read := func(i int) {
		l, _ := d.contacts[i].Read(context.Background())
		level <- l
	}
	go read(1)
	h.expect(2, readCoils(3, 1))
	<-time.After(d.timeout / 2) // a slow answer, so that the driver expects long exchanges
	h.answer(2, 1, 1, 0)
	require.Equal(t, relay.LevelClosed, <-level)
	result = d.interrupt(0, d.timeout)
	h.echo(1, openIt)
	h.reads(1, 1)
	<-time.After(d.timeout * 3 / 4)
	go read(1)
	h.greet(1)
	h.reads(2, 0)
	require.Equal(t, relay.LevelClosed, <-level)
	require.Equal(t, relay.Done, (<-result).Outcome)
}

// greetAny answers the first requests of the session that begins first, since several begin at the same time.
func (h *scriptedSerialLine) greetAny() {
	h.t.Helper()
	for range 2 {
		q := h.next()
		if q[1] == 5 {
			require.Equal(h.t, closeIt, q[1:])
			h.answer(q[0], closeIt...)
		} else {
			require.Equal(h.t, readCoils(3, 1), q[1:])
			h.answer(q[0], 1, 1, 0)
		}
	}
}

// A late answer is never taken for the answer to a newer request; see the package comment.
func TestBusLateAnswers(t *testing.T) {
	t.Parallel()
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1)
	h.greet(1)
	d.ready()
	result := d.interrupt(0, time.Second)
	h.expect(1, openIt) // answered later
	r := <-result
	require.Equal(t, relay.Unknown, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrNoAnswer)

	h.expect(1, closeIt)
	h.answer(1, openIt...) // the late answer, which does not confirm a close
	h.expect(1, closeIt)
	h.answer(1, closeIt...) // the answer to the previous close, which proves the same
	h.expect(1, readCoils(3, 1))
	h.answer(1, closeIt...) // not an answer to a reading
	h.greet(1)
	d.notice(relay.CloseConfirmed)
	d.ready()                      // a little later, since the connection begins with the close
	reading := make(chan error, 1) // as in interrupt
	go func() {
		_, err := d.contacts[0].Read(context.Background())
		reading <- err
	}()
	h.expect(1, readCoils(3, 1))
	require.ErrorIs(t, <-reading, errTimeout)
	h.expect(1, closeIt)
	h.answer(1, 1, 1, 0) // the late reading
	h.greet(1)
}

// The late answer of another unit arrives before the answer of the unit that was asked.
func TestBusSkipsAnswersOfOthers(t *testing.T) {
	t.Parallel()
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1, 2)
	h.greetAny()
	h.greetAny()
	d.ready()
	result := d.interrupt(0, 10*time.Millisecond)
	h.expect(1, openIt)
	h.answer(2, 1, 1, 1)
	h.answer(2, openIt...)
	h.send([]byte{0}) // a stray byte, as a driver that switches its direction may leave
	h.answer(1, openIt...)
	h.reads(1, 1)
	h.greet(1)
	require.Equal(t, relay.Done, (<-result).Outcome)
}

func TestBusImproperAnswers(t *testing.T) {
	frame := modbustest.RTU(1, openIt...)
	wrong := append(append([]byte{}, frame[:7]...), frame[7]^1)
	for name, c := range map[string]struct {
		bytes []byte
		says  string
	}{
		"half a frame":       {frame[:5], "half a frame"},
		"a wrong checksum":   {wrong, "wrong checksum"},
		"garbage":            {[]byte("AT+OK\r\n"), "noise"},
		"another coil":       {modbustest.RTU(1, writeCoil(4, true)...), "echoed"},
		"another level":      {modbustest.RTU(1, closeIt...), "echoed"},
		"another function":   {modbustest.RTU(1, []byte{1, 1, 1}...), "noise"},
		"nothing":            {nil, "no answer within"},
		"another unit's own": {modbustest.RTU(9, openIt...), "no answer within"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newScriptedSerialLine(t)
			d := driveBus(t, h.path, nil, 1)
			h.greet(1)
			d.ready()
			result := d.interrupt(0, time.Second)
			h.expect(1, openIt)
			if c.bytes != nil {
				h.send(c.bytes)
			}
			r := <-result
			require.Equal(t, relay.Unknown, r.Outcome)
			require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
			require.ErrorContains(t, r.Err, c.says)
			h.greet(1)
			d.notice(relay.CloseConfirmed)
		})
	}
}

// An adapter that receives its own bytes would confirm every write by itself.
func TestBusLocalEcho(t *testing.T) {
	leakCheck(t)
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1)
	for range 2 { // a close, which its echo confirms, and the reading
		h.send(modbustest.RTU(1, h.next()[1:]...))
	}
	require.ErrorContains(t, d.notice(relay.LinkLost).Err, "local echo")
}

// Only one process and one bus can use the port.
func TestBusPortIsTaken(t *testing.T) {
	leakCheck(t)
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1)
	h.greet(1)
	d.ready()
	exclusive, err := unix.IoctlGetInt(int(h.slave.Fd()), unix.TIOCGEXCL)
	require.NoError(t, err)
	require.Equal(t, 1, exclusive)

	link := filepath.Join(t.TempDir(), "another-name")
	require.NoError(t, os.Symlink(h.path, link))
	other, err := NewBus(BusOptions{Name: "other", Device: link})
	require.NoError(t, err)
	_, err = other.Contact(ContactOptions{Name: "workshop", Unit: 3})
	require.NoError(t, err)
	other.Start()
	ctx, cancel := context.WithCancel(context.Background())
	require.Eventually(t, func() bool {
		soon, end := context.WithTimeout(ctx, time.Millisecond)
		defer end()
		return errors.Is(other.Ready(soon), relay.ErrLocked)
	}, 5*time.Second, time.Millisecond)
	cancel()
	require.Len(t, other.Shutdown(ctx), 1)

	d.Shutdown(ctx)
	exclusive, err = unix.IoctlGetInt(int(h.slave.Fd()), unix.TIOCGEXCL)
	require.NoError(t, err)
	require.Zero(t, exclusive)
}

// A pseudo terminal has no RS-485 driver. Nor have most ports.
func TestBusDirectionSwitch(t *testing.T) {
	leakCheck(t)
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, func(o *BusOptions) { o.RS485 = &RS485{DelayAfter: time.Millisecond} }, 1)
	err := d.notice(relay.LinkLost).Err
	require.ErrorIs(t, err, unix.ENOTTY)
	require.ErrorContains(t, err, "cannot switch an RS-485 direction")
	require.Eventually(t, func() bool { // not during a further attempt
		exclusive, err := unix.IoctlGetInt(int(h.slave.Fd()), unix.TIOCGEXCL)
		return err == nil && exclusive == 0
	}, 5*time.Second, time.Millisecond, "another process may use the port")
}

// After a fault the line must be silent before the next request. A line that is never silent delays a close by at most
// one time-out.
func TestBusAwaitsSilence(t *testing.T) {
	h := newScriptedSerialLine(t)
	o, err := BusOptions{Device: h.path, Baud: 115_200, Timeout: testTimeout}.withDefaults()
	require.NoError(t, err)
	m := newMaster(o)
	m.port, err = openPort(&o)
	require.NoError(t, err)
	defer m.closePort()
	begin := time.Now()
	m.heard, m.unsure = begin, true
	h.send([]byte{0x55})
	m.settle()
	require.True(t, m.heard.After(begin), "it received nothing")
	require.GreaterOrEqual(t, time.Since(m.heard), silenceAfterFault)
	require.False(t, m.unsure)

	stop := make(chan struct{})
	var noise sync.WaitGroup
	noise.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
				h.master.Write([]byte{0x55})
			}
		}
	})
	late := relaytest.Allowance(t)
	begin, m.unsure = time.Now(), true
	m.heard = begin
	m.settle()
	close(stop)
	noise.Wait()
	require.GreaterOrEqual(t, time.Since(begin), silenceAfterFault)
	require.Less(t, time.Since(begin), testTimeout+200*time.Millisecond+late())
}

// Bytes that arrived while no answer was awaited are not the answer to the next request.
func TestBusDiscardsUnsolicitedBytes(t *testing.T) {
	t.Parallel()
	h := newScriptedSerialLine(t)
	d := driveBus(t, h.path, nil, 1)
	h.greet(1)
	d.ready()
	require.Eventually(t, func() bool {
		n, err := unix.IoctlGetInt(int(h.slave.Fd()), unix.TIOCINQ)
		require.NoError(t, err)
		if n == 0 { // or the driver was still waiting for silence
			h.answer(1, openIt...)
		}
		return n >= 8
	}, 5*time.Second, 10*time.Millisecond)
	result := d.interrupt(0, 10*time.Millisecond)
	h.expect(1, openIt)
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	h.greet(1)
}
