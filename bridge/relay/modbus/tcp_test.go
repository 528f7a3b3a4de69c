package modbus

import (
	"context"
	"io"
	"net"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// TestWhenATCPRequestWasSent checks that a request's Sent is after the last check and before its bytes are written,
// since the board may start its timer from then on.
func TestWhenATCPRequestWasSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, board := net.Pipe()
		w := newTCPWire(ours, time.Second)
		defer w.Stop(true)
		go func() {
			<-time.After(5 * ms) // slow to read the bytes
			frame := make([]byte, 12)
			if _, err := io.ReadFull(board, frame); err == nil {
				_, _ = board.Write(frame) // the answer to a write of one coil repeats the request
			}
		}()
		began := time.Now()
		var sent time.Time
		ended := make(chan answer, 1) // read below
		require.NoError(t, w.start(query{
			unit: 1, pdu: []byte{5, 0, 3, 0xff, 0},
			before: func() error { <-time.After(2 * ms); return nil },
			sent:   func(at time.Time) { sent = at },
			end:    func(a answer) { ended <- a },
		}))
		a := <-ended
		require.NoError(t, a.err)
		require.Equal(t, 2*ms, sent.Sub(began))
		require.Equal(t, 5*ms, a.at.Sub(began))
	})
}

// SAFETY.md S92: the coils are read often enough, though the board takes its time to answer. A unit on a serial bus is
// read at the same pace.
func TestFoundOpen(t *testing.T) {
	relaytest.FindsOpen(t, func(notify func(relay.Notice)) relaytest.Started {
		var open atomic.Bool
		b, err := NewBoard(Options{Name: "board", Address: "192.0.2.50:502", NoLock: true, Notify: notify,
			Dial: func(context.Context, string) (net.Conn, error) {
				near, far := net.Pipe()
				go serveCoil(far, &open)
				return near, nil
			}})
		require.NoError(t, err)
		_, err = b.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true})
		require.NoError(t, err)
		b.Start()
		return relaytest.Started{Ready: b.Ready, Open: func() { open.Store(true) },
			Shutdown: func(ctx context.Context) { b.Shutdown(ctx) }}
	})
	o, err := BusOptions{Device: "/dev/ttyX0"}.withDefaults()
	require.NoError(t, err)
	require.Equal(t, controller.DefaultPoll, o.Poll)
}

// serveCoil is a slow board with one coil that no command moves.
func serveCoil(c net.Conn, open *atomic.Bool) {
	defer c.Close()
	frame := make([]byte, 12)
	for {
		if _, err := io.ReadFull(c, frame); err != nil {
			return
		}
		answer := frame // to a write of one coil
		if frame[7] == 1 {
			answer = append(slices.Clone(frame[:5]), 4, frame[6], 1, 1, 0)
			if open.Load() {
				answer[9] = 1
			}
		}
		<-time.After(defaultTimeout - 1)
		if _, err := c.Write(answer); err != nil {
			return
		}
	}
}
