package modbus

import (
	"context"
	"errors"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/modbus/codec"

	"github.com/stretchr/testify/require"
)

// scriptedWire answers each request at once, with an answer that the test has set.
type scriptedWire struct {
	wire
	asked  []query
	answer func(query) answer
	fail   error
}

func (w *scriptedWire) start(q query) error {
	if w.fail != nil {
		return w.fail
	}
	w.asked = append(w.asked, q)
	if q.before != nil {
		if err := q.before(); err != nil {
			return err
		}
	}
	if q.sent != nil {
		q.sent(time.Unix(7, 0))
	}
	q.end(w.answer(q))
	return nil
}

func told(t *testing.T, o ...ContactOptions) (*scriptedWire, *session, []*Contact) {
	t.Helper()
	b, err := NewBoard(Options{Name: "board", Address: "192.0.2.50:502", NoLock: true})
	require.NoError(t, err)
	var all []*Contact
	for _, o := range o {
		c, err := b.Contact(o)
		require.NoError(t, err)
		all = append(all, c)
	}
	w := &scriptedWire{answer: func(q query) answer { return answer{pdu: codec.Response(q.pdu), at: time.Unix(9, 0)} }}
	return w, &session{w, b}, all
}

// TestRequestsOfAContact checks the bytes of each request and the result of its answer.
func TestRequestsOfAContact(t *testing.T) {
	timed := &Timed{Register: 20, Unit: 100 * ms, Limit: 10 * time.Second}
	sequence := &Timed{Register: 30, Sequence: true, Unit: ms, Limit: 10 * time.Second}
	w, s, all := told(t, ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true},
		ContactOptions{Name: "stage-door", Unit: 2, Coil: 4},
		ContactOptions{Name: "workshop", Unit: 1, Coil: 5, OpenOn: true, Timed: timed},
		ContactOptions{Name: "green-room", Unit: 1, Coil: 6, OpenOn: true, Timed: sequence})
	for _, c := range []struct {
		contact int
		op      controller.Op
		pdu     []byte
	}{
		{0, controller.Open, []byte{5, 0, 3, 0xff, 0}}, {0, controller.Close, []byte{5, 0, 3, 0, 0}},
		{0, controller.Read, []byte{1, 0, 3, 0, 1}},
		{1, controller.Open, []byte{5, 0, 4, 0, 0}}, {1, controller.Close, []byte{5, 0, 4, 0xff, 0}},
		{2, controller.Open, []byte{6, 0, 20, 0, 8}}, {2, controller.Close, []byte{5, 0, 5, 0, 0}},
		{3, controller.Open, []byte{16, 0, 30, 0, 2, 4, 0, 1, 0x03, 0x20}},
		{3, controller.Try, []byte{16, 0, 30, 0, 2, 4, 0, 2, 0, 0}},
	} {
		call := controller.NewPendingRequest()
		require.NoError(t, s.Start(call, controller.Request{Op: c.op, Contact: c.contact, Duration: 800 * ms}, nil))
		q := w.asked[len(w.asked)-1]
		require.Equal(t, c.pdu, []byte(q.pdu))
		require.Equal(t, all[c.contact].opt.Unit, q.unit)
		require.Equal(t, c.op == controller.Close, q.urgent)
		require.Equal(t, time.Unix(7, 0), call.Sent)
		require.Same(t, all[c.contact], q.contact)
	}
	for contact, openOn := range []bool{true, false} {
		for _, on := range []byte{0, 1} {
			w.answer = func(query) answer { return answer{pdu: []byte{1, 1, on}, at: time.Unix(9, 0)} }
			call := controller.NewPendingRequest()
			require.NoError(t, s.Start(call, controller.Request{Op: controller.Read, Contact: contact}, nil))
			a, err := call.Wait(nil)
			require.NoError(t, err)
			want := relay.LevelClosed
			if openOn == (on == 1) {
				want = relay.LevelOpen
			}
			require.Equal(t, want, a.Level)
			require.Equal(t, time.Unix(9, 0), a.At)
		}
	}
	for _, c := range []struct {
		contact int
		op      controller.Op
		says    string
	}{
		{0, controller.Open, "unit 1, coil 3: "}, {2, controller.Open, "unit 1, register 20: "},
		{2, controller.Close, "unit 1, coil 5: "}, {3, controller.Try, "unit 1, register 30: "},
	} {
		for e, sure := range map[codec.Exception]bool{2: true, 4: false} {
			w.answer = func(query) answer { return answer{err: refusal(e)} }
			call := controller.NewPendingRequest()
			require.NoError(t, s.Start(call, controller.Request{Op: c.op, Contact: c.contact}, nil))
			a, err := call.Wait(nil)
			var no *controller.Refusal
			require.ErrorAs(t, err, &no)
			require.Equal(t, sure, no.Sure)
			require.ErrorIs(t, err, e)
			require.ErrorContains(t, err, c.says)
			require.Zero(t, a.Level)
		}
	}
	lost := &controller.ConnectionLost{Cause: errTimeout}
	w.answer = func(query) answer { return answer{err: lost} }
	call := controller.NewPendingRequest()
	require.NoError(t, s.Start(call, controller.Request{Op: controller.Read}, nil))
	_, err := call.Wait(nil)
	require.Equal(t, error(lost), err)
	w.fail = errors.New("gone")
	require.ErrorIs(t, s.Start(controller.NewPendingRequest(), controller.Request{Op: controller.Open}, nil), w.fail)
}

// TestPreparedBoard checks that the watchdogs are set and the sequence numbers read. If the board refuses, the error
// names the register.
func TestPreparedBoard(t *testing.T) {
	w, s, all := told(t, ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true,
		Watchdog: &Watchdog{Register: 40, Unit: 100 * ms, Timeout: 250 * ms}},
		ContactOptions{Name: "stage-door", Unit: 2, Coil: 3, OpenOn: true,
			Timed: &Timed{Register: 30, Sequence: true, Unit: ms, Limit: time.Second}},
		ContactOptions{Name: "workshop", Unit: 2, Coil: 4, OpenOn: true,
			Timed: &Timed{Register: 50, Unit: ms, Limit: time.Second}})
	seq := uint16(41)
	w.answer = func(q query) answer {
		if q.pdu[0] == 3 {
			return answer{pdu: []byte{3, 2, byte(seq >> 8), byte(seq)}}
		}
		return answer{pdu: codec.Response(q.pdu)}
	}
	require.NoError(t, s.Prepare(t.Context()))
	require.Len(t, w.asked, 2)
	require.Equal(t, []any{uint8(1), []byte{6, 0, 40, 0, 3}}, []any{w.asked[0].unit, []byte(w.asked[0].pdu)})
	require.Equal(t, []any{uint8(2), []byte{3, 0, 30, 0, 1}}, []any{w.asked[1].unit, []byte(w.asked[1].pdu)})
	require.Equal(t, uint16(42), all[1].nextSeq())
	seq = 43
	require.NoError(t, s.Prepare(t.Context()))
	require.Equal(t, uint16(44), all[1].nextSeq(), "not the last number that the board received")
	require.Equal(t, uint16(45), all[1].nextSeq())

	w.answer = func(q query) answer {
		if q.pdu[0] == 3 {
			return answer{err: refusal(codec.Exception(2))}
		}
		return answer{pdu: codec.Response(q.pdu)}
	}
	require.ErrorContains(t, s.Prepare(t.Context()),
		"line stage-door: reading the last sequence number, register 30 of unit 2: ")
	w.answer = func(q query) answer { return answer{err: refusal(codec.Exception(3))} }
	require.ErrorContains(t, s.Prepare(t.Context()), "watchdog register 40 of unit 1, value 3: ")
	w.fail = errors.New("gone")
	require.ErrorIs(t, s.Prepare(t.Context()), w.fail)
	w.fail = nil
	silent := silentWire{w}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, (&session{silent, s.board}).Prepare(ctx), relay.ErrStopped)
}

// silentWire accepts requests and answers none.
type silentWire struct{ wire }

func (silentWire) start(query) error { return nil }

// TestKindsAndTrials checks the kind of each contact and the way in which its command that opens can be tried.
func TestKindsAndTrials(t *testing.T) {
	w := &Watchdog{Register: 40, Unit: ms, Timeout: 300 * ms}
	for _, c := range []struct {
		o     ContactOptions
		kind  relay.Kind
		trial error
	}{
		{ContactOptions{}, relay.KindNone, nil}, {ContactOptions{Watchdog: w}, relay.KindWatchdog, nil},
		{ContactOptions{Watchdog: w, Timed: &Timed{Unit: ms, Limit: time.Second}}, relay.KindOneshot,
			relay.ErrCannotTry},
		{ContactOptions{Timed: &Timed{Unit: ms, Limit: time.Second, Sequence: true}}, relay.KindOneshot,
			relay.ErrUnreachable},
	} {
		c.o.Name, c.o.Unit = "box-office", 1
		_, s, all := told(t, c.o)
		require.Equal(t, c.kind, all[0].Kind())
		require.ErrorIs(t, all[0].Try(t.Context()), c.trial)
		_, err := s.board.current()
		require.ErrorIs(t, err, relay.ErrUnreachable)
	}
}

// Source: application protocol V1.1b3, section 7, the table of exception codes. The test says which of them leave it
// unknown whether anything was done.
func TestExceptionsThatSayNothingWasDone(t *testing.T) {
	for code, want := range map[codec.Exception]bool{1: true, 2: true, 3: true, 4: false, 5: false, 6: true, 8: false,
		10: true, 11: false, 99: false} {
		require.Equal(t, want, nothingDone(code), code.Error())
	}
}
