package modbus

import (
	"context"
	"flag"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"

	"github.com/stretchr/testify/require"
)

var (
	orders    = flag.Int("orders", 4, "how many openings and closes TestBusWithRandomBoardDelays tries")
	orderSeed = flag.Uint64("orderseed", 0, "of TestBusWithRandomBoardDelays; 0: a new one")
)

// sleepyBoard carries out requests in order. It sometimes sleeps before a request, or between a request and its answer,
// for longer than a time-out. Its answers then arrive after later requests were sent.
type sleepyBoard struct {
	*modbustest.Board
	hand *scriptedSerialLine
	rnd  *rand.Rand
}

// nap usually sleeps briefly or not at all, and sometimes long enough for several requests to gather.
func (b *sleepyBoard) nap() {
	longest := time.Duration(0)
	switch b.rnd.IntN(20) {
	case 0:
		longest = 10 * sleepyTimeout
	case 1, 2, 3, 4, 5, 6:
		longest = sleepyTimeout / 2
	default:
		return
	}
	<-time.After(time.Duration(b.rnd.IntN(int(longest))))
}

const sleepyTimeout = 40 * time.Millisecond

func (b *sleepyBoard) run(done <-chan struct{}) {
	requests := make(chan []byte, 1000) // like the input buffer of a board's port; a run sends fewer
	go func() {
		defer close(requests)
		for buf := make([]byte, 0, 1024); ; {
			n, err := b.hand.master.Read(buf[len(buf):cap(buf)])
			if err != nil {
				return // the test and its terminal have ended
			}
			for buf = buf[:len(buf)+n]; len(buf) >= 8; buf = append(buf[:0], buf[8:]...) {
				requests <- append([]byte{}, buf[:6]...)
			}
		}
	}()
	for {
		var q []byte
		select {
		case q = <-requests:
		case <-done:
			return
		}
		if q == nil {
			return
		}
		b.nap()
		answer := b.Answer(q[1:])
		b.nap()
		if _, err := b.hand.master.Write(modbustest.RTU(q[0], answer...)); err != nil {
			return
		}
	}
}

func (b *sleepyBoard) state() (open bool, moves int) {
	all := b.Changes(4)
	return len(all) > 0 && all[len(all)-1].Open, len(all)
}

// If a board answers in order, then whatever its delays, an opening reported as done was done, an opening reported as
// refused was not, and a confirmed close closed the contact. The package comment has the argument.
func TestBusWithRandomBoardDelays(t *testing.T) {
	t.Parallel()
	seed := *orderSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	h := newScriptedSerialLine(t)
	board := &sleepyBoard{modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true}), h,
		rand.New(rand.NewPCG(seed, 1))}
	done := make(chan struct{})
	var running sync.WaitGroup
	running.Go(func() { board.run(done) })
	d := driveBus(t, h.path, func(o *BusOptions) { o.Timeout = sleepyTimeout; o.Poll = 30 * time.Millisecond })
	// The coil is even, so that the echo of a write, if it were taken for a reading, would read as closed.
	c, err := d.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 4, OpenOn: true})
	require.NoError(t, err)
	d.contacts = append(d.contacts, c)
	d.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	told := map[relay.Outcome]int{}
	for range *orders {
		require.NoError(t, d.contacts[0].Close(ctx), "seed %d", seed)
		open, before := board.state()
		require.False(t, open, "a close was confirmed, and it is open; seed %d", seed)
		r := <-d.interrupt(0, 20*time.Millisecond)
		told[r.Outcome]++
		open, after := board.state()
		switch r.Outcome {
		case relay.Done:
			require.Equal(t, []any{false, before + 2}, []any{open, after}, "done, %v; seed %d", r.OpenFor, seed)
		case relay.Refused:
			require.NoError(t, d.contacts[0].Close(ctx), "seed %d", seed)
			_, after = board.state()
			require.Equal(t, before, after, "refused with %v, and it moved; seed %d", r.Err, seed)
		}
	}
	t.Logf("seed %d: unknown %d, done %d, refused %d", seed, told[relay.Unknown], told[relay.Done], told[relay.Refused])
	gone, cancelGone := context.WithTimeout(ctx, time.Second)
	defer cancelGone()
	d.Shutdown(gone)
	close(done)
	running.Wait()
}
