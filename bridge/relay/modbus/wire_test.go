package modbus

import (
	"context"
	"errors"
	"io"
	"net"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/codec"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// scriptedBoard is a board whose every answer the test gives.
type scriptedBoard struct {
	t *testing.T
	l *net.TCPListener
}

type scriptedConn struct {
	*net.TCPConn
	t *testing.T
}

func newScriptedBoard(t *testing.T) *scriptedBoard {
	l, err := net.ListenTCP("tcp", &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	return &scriptedBoard{t, l}
}

func (h *scriptedBoard) accept() *scriptedConn {
	h.t.Helper()
	h.l.SetDeadline(time.Now().Add(5 * time.Second))
	c, err := h.l.AcceptTCP()
	require.NoError(h.t, err)
	h.t.Cleanup(func() { c.Close() })
	c.SetReadDeadline(time.Now().Add(5 * time.Second))
	return &scriptedConn{c, h.t}
}

func (c *scriptedConn) next() modbustest.Frame {
	c.t.Helper()
	r, err := modbustest.ReadTCP(c)
	require.NoError(c.t, err)
	return r
}

func (c *scriptedConn) expect(pdu []byte) modbustest.Frame {
	c.t.Helper()
	r := c.next()
	require.Equal(c.t, pdu, r.PDU)
	return r
}

func (c *scriptedConn) answer(r modbustest.Frame, pdu ...byte) {
	c.t.Helper()
	_, err := c.Write(modbustest.TCP(r.Transaction, r.Unit, pdu...))
	require.NoError(c.t, err)
}

// echo expects a write and confirms it.
func (c *scriptedConn) echo(pdu []byte) {
	c.t.Helper()
	c.answer(c.expect(pdu), pdu...)
}

// reads expects a read of coil 3 and answers it.
func (c *scriptedConn) reads(level byte) {
	c.t.Helper()
	c.answer(c.expect(readCoils(3, 1)), 1, 1, level)
}

var (
	openIt  = writeCoil(3, true)
	closeIt = writeCoil(3, false)
)

// greet answers the first requests of every connection: the close and its read-back.
func (c *scriptedConn) greet() {
	c.t.Helper()
	c.echo(closeIt)
	c.reads(0)
}

type driver struct {
	*Board
	*Contact
	t *testing.T
}

// drive starts a driver with one line on coil 3. It never polls.
func drive(t *testing.T, address string, change func(*Options)) *driver {
	o := Options{Name: "board", Address: address, Timeout: relaytest.Timeout(testTimeout), Poll: time.Hour}
	if change != nil {
		change(&o)
	}
	b, err := NewBoard(o)
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true})
	require.NoError(t, err)
	b.Start()
	return &driver{b, c, t}
}

func (d *driver) ready() {
	d.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(d.t, d.Board.Ready(ctx))
}

func (d *driver) interrupt(seq uint32, length time.Duration) <-chan relay.Result {
	ch := make(chan relay.Result, 1) // the test may have failed by then
	go func() {
		ch <- d.Interrupt(context.Background(), relay.Interruption{Seq: seq, Duration: length,
			NotAfter: time.Now().Add(time.Second)})
	}()
	return ch
}

// end shuts down while the board does not answer, and checks for leaked goroutines.
func (d *driver) end() {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	d.Shutdown(ctx)
}

func leakCheck(t *testing.T) {
	opt := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, opt) })
}

func TestCloseOvertakesAnUnansweredOpening(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	result := d.interrupt(1, 10*time.Second)
	opening := c.expect(openIt) // not answered yet
	closed := make(chan error, 1)
	go func() { closed <- d.Close(context.Background()) }()
	// One is by Close, the other by Interrupt, whose opening is withdrawn.
	closing := []modbustest.Frame{c.expect(closeIt), c.expect(closeIt)}
	c.answer(opening, openIt...)
	for _, r := range closing {
		c.answer(r, closeIt...)
	}
	c.reads(0)
	c.reads(0)
	require.NoError(t, <-closed)
	r := <-result
	require.NoError(t, r.Err)
	require.Equal(t, relay.Done, r.Outcome)
}

// Only one ordinary request is pending at a time. The opening of another line therefore waits in the driver, where its
// NotAfter is checked.
func TestAnOpeningWaitsOnOurSide(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	b, err := NewBoard(Options{Name: "board", Address: h.l.Addr().String(), Timeout: time.Second, Poll: time.Hour})
	require.NoError(t, err)
	one, err := b.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true})
	require.NoError(t, err)
	two, err := b.Contact(ContactOptions{Name: "stage-door", Unit: 1, Coil: 4, OpenOn: true})
	require.NoError(t, err)
	b.Start()
	c := h.accept()
	c.echo(closeIt)
	c.echo(writeCoil(4, false))
	c.reads(0)
	c.answer(c.expect(readCoils(4, 1)), 1, 1, 0)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, b.Ready(ctx))
	result := make(chan relay.Result, 1) // as in driver.interrupt
	go func() {
		result <- one.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: time.Hour,
			NotAfter: time.Now().Add(time.Second)})
	}()
	opening := c.expect(openIt)
	r := two.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: time.Hour,
		NotAfter: time.Now().Add(20 * time.Millisecond)})
	require.ErrorIs(t, r.Err, relay.ErrLate)
	c.answer(opening, openIt...)
	c.reads(1) // the next bytes are not the other line's opening
	c.CloseWrite()
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	gone, cancelGone := context.WithCancel(ctx)
	cancelGone()
	b.Shutdown(gone)
}

func TestAStoppedProcessOpensNothing(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	// The clock jumps by 5 s between the decision and the write, as if the process had been stopped there.
	d := drive(t, h.l.Addr().String(),
		func(o *Options) { o.Now = func() time.Time { return time.Now().Add(5 * time.Second) } })
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	r := <-d.interrupt(1, time.Second)
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrLate)
	closed := make(chan error, 1) // as in driver.interrupt
	go func() { closed <- d.Close(context.Background()) }()
	c.echo(closeIt) // the next request on the wire, since nothing of the opening was written
	c.reads(0)
	require.NoError(t, <-closed)
}

func TestAnUnansweredOpeningEndsWithAReset(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	result := d.interrupt(1, time.Second)
	c.expect(openIt)
	r := <-result
	require.Equal(t, relay.Unknown, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
	_, err := c.Read(make([]byte, 1))
	require.ErrorIs(t, err, syscall.ECONNRESET, "a plain close would give EOF, and leave the opening in the send queue")
	next := h.accept()
	next.greet() // the new connection begins with the close
	d.ready()
}

func TestImproperAnswers(t *testing.T) {
	for name, answer := range map[string]func(c *scriptedConn, r modbustest.Frame){
		"another transaction": func(c *scriptedConn, r modbustest.Frame) { r.Transaction += 7; c.answer(r, openIt...) },
		"another unit":        func(c *scriptedConn, r modbustest.Frame) { r.Unit++; c.answer(r, openIt...) },
		"another coil":        func(c *scriptedConn, r modbustest.Frame) { c.answer(r, writeCoil(4, true)...) },
		"no Modbus": func(c *scriptedConn, _ modbustest.Frame) {
			io.WriteString(c,
				"HTTP/1.1 400 Bad Request\r\n\r\n")
		},
		"cut in two and given up": func(c *scriptedConn, r modbustest.Frame) {
			c.Write(modbustest.TCP(r.Transaction, r.Unit, openIt...)[:9])
			c.CloseWrite()
		},
	} {
		t.Run(name, func(t *testing.T) {
			leakCheck(t)
			h := newScriptedBoard(t)
			d := drive(t, h.l.Addr().String(), nil)
			defer d.end()
			c := h.accept()
			c.greet()
			d.ready()
			result := d.interrupt(1, time.Second)
			answer(c, c.expect(openIt))
			r := <-result
			require.Equal(t, relay.Unknown, r.Outcome)
			require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
			next := h.accept()
			next.greet()
			d.ready()
		})
	}
}

func TestAnAnswerInPieces(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	result := d.interrupt(1, 10*time.Millisecond)
	r := c.expect(openIt)
	for _, b := range modbustest.TCP(r.Transaction, r.Unit, openIt...) {
		_, err := c.Write([]byte{b})
		require.NoError(t, err)
	}
	c.reads(1)
	c.greet()
	require.Equal(t, relay.Done, (<-result).Outcome)
}

// Source: application protocol V1.1b3, section 7. Code 5 is "accepted, being processed", 4 "while attempting to
// perform", 11 a gateway's target that is silent.
func TestExceptionsThatLeaveItOpen(t *testing.T) {
	for _, code := range []byte{4, 5, 11} {
		leakCheck(t)
		h := newScriptedBoard(t)
		d := drive(t, h.l.Addr().String(), nil)
		c := h.accept()
		c.greet()
		d.ready()
		result := d.interrupt(1, time.Second)
		c.answer(c.expect(openIt), 0x85, code)
		c.greet() // closed at once, on the same connection
		r := <-result
		require.Equal(t, relay.Unknown, r.Outcome, code)
		require.True(t, errors.Is(r.Err, codec.Exception(code)), r.Err)
		d.end()
	}
}

func TestConfirmedAndNotMoved(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	result := d.interrupt(1, time.Second)
	c.echo(openIt)
	c.reads(0)
	c.greet()
	r := <-result
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrRefused)
	require.ErrorIs(t, r.Err, relay.ErrReadBack)
}

func TestCloseThatReadsBackOpen(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	closed := make(chan error, 1) // as in driver.interrupt
	go func() { closed <- d.Close(context.Background()) }()
	c.echo(closeIt)
	c.reads(1)
	c.greet() // repeated by the driver
	require.NoError(t, <-closed)
}

// A failed close is repeated within 250 ms.
func TestCloseIsRepeated(t *testing.T) {
	t.Parallel()
	h := newScriptedBoard(t)
	d := drive(t, h.l.Addr().String(), nil)
	defer d.end()
	c := h.accept()
	c.greet()
	d.ready()
	closed := make(chan error, 1) // as in driver.interrupt
	go func() { closed <- d.Close(context.Background()) }()
	var last time.Time
	late := relaytest.Allowance(t)
	for i := range 5 {
		r := c.expect(closeIt)
		if gap := time.Since(last); i > 0 && gap > relay.CloseEvery+100*time.Millisecond+late() {
			t.Fatalf("%v between two closes", gap)
		}
		last = time.Now()
		c.answer(r, 0x85, 6)
	}
	c.greet()
	require.NoError(t, <-closed)
}
