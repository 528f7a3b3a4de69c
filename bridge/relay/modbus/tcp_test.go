package modbus

import (
	"io"
	"net"
	"testing"
	"testing/synctest"
	"time"

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
