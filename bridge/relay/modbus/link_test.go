package modbus

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"

	"github.com/stretchr/testify/require"
)

// link forwards between driver and board, and can be blocked. While it is blocked it holds the driver's bytes, as a
// kernel holds unacknowledged bytes in its send queue. If the driver's end is reset, the bytes are lost. If it is
// closed in the ordinary way, they arrive with the end of the stream once the link works again. A kernel does the same
// in both cases (RFC 9293, sections 3.6 and 3.10.7).
type link struct {
	l       net.Listener
	board   string
	running sync.WaitGroup

	mu      sync.Mutex
	blocked chan struct{} // not nil while blocked; closed to unblock
	conns   []net.Conn
}

func newLink(t *testing.T, board string) *link {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	k := &link{l: l, board: board}
	k.running.Go(k.accept)
	t.Cleanup(func() {
		l.Close()
		k.unblock()
		k.mu.Lock()
		for _, c := range k.conns {
			c.Close()
		}
		k.mu.Unlock()
		k.running.Wait()
	})
	return k
}

func (k *link) accept() {
	for {
		near, err := k.l.Accept()
		if err != nil {
			return
		}
		k.running.Go(func() {
			k.gate() // a connection needs the link as well
			far, err := net.Dial("tcp", k.board)
			if err != nil {
				near.Close()
				return
			}
			k.mu.Lock()
			k.conns = append(k.conns, near, far)
			k.mu.Unlock()
			k.running.Go(func() { k.carry(near, far) })
			k.carry(far, near)
		})
	}
}

func (k *link) carry(to, from net.Conn) {
	defer to.Close()
	chunks := make(chan []byte, 100) // bytes on their way; more than a test sends
	failed := make(chan error, 1)    // read only after the reader has ended
	k.running.Go(func() {
		for {
			b := make([]byte, 512)
			n, err := from.Read(b)
			if n > 0 {
				chunks <- b[:n]
			}
			if err != nil {
				failed <- err
				close(chunks)
				return
			}
		}
	})
	for b := range chunks {
		k.gate()
		select {
		case err := <-failed:
			failed <- err
			if !errors.Is(err, io.EOF) {
				return // a reset, so the held bytes are lost
			}
		default:
		}
		if _, err := to.Write(b); err != nil {
			from.Close() // ends the reader
		}
	}
}

// gate waits while the link is blocked.
func (k *link) gate() {
	k.mu.Lock()
	ch := k.blocked
	k.mu.Unlock()
	if ch != nil {
		<-ch
	}
}

func (k *link) block() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.blocked = make(chan struct{})
}

func (k *link) unblock() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.blocked != nil {
		close(k.blocked)
		k.blocked = nil
	}
}

// The link blocks during an unanswered opening and works again later. The board never opens late.
func TestBlockedLink(t *testing.T) {
	t.Parallel()
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})
	k := newLink(t, board.Address())
	blockedLink(t, board, k.l.Addr().String(), k.block, k.unblock)
}

// blockedLink is the test for any link. With -long it is blocked for 10 s.
func blockedLink(t *testing.T, board *modbustest.Board, address string, block, unblock func()) {
	notices := make(chan relay.Notice, 1000) // notices must not block; a run has fewer
	d := drive(t, address, func(o *Options) { o.Notify = func(n relay.Notice) { notices <- n } })
	defer d.end()
	d.ready()
	block()
	r := <-d.interrupt(1, 5*time.Second)
	require.Equal(t, relay.Unknown, r.Outcome, "%v", r.Err)
	require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
	for n := (relay.Notice{}); n.Kind != relay.CloseFailing || n.Err == nil; n = <-notices {
	}
	pause := 700 * time.Millisecond
	if *long {
		pause = 10 * time.Second
	}
	<-time.After(pause) // the length of the blockade is what is tested
	unblock()
	begin := time.Now()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, d.Close(ctx))
	t.Logf("closed %v after the link worked again", time.Since(begin).Round(time.Millisecond))
	// A kernel that still had the opening in its queue would resend it within twice the time of the silence.
	if address == board.Address() {
		<-time.After(2 * pause)
	}
	require.Empty(t, board.Changes(3), "the board moved")
	require.Equal(t, relay.Done, (<-d.interrupt(2, 10*time.Millisecond)).Outcome)
	require.Len(t, board.Changes(3), 2)
}
