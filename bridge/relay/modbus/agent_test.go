package modbus

import (
	"context"
	"errors"
	"io"
	"net"
	"net/netip"
	"slices"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// agentBoard is the agent with two contacts, behind a proxy that produces the faults.
type agentBoard struct {
	address string // address of the proxy
	behind  string // address of the agent
	outputs [2]*agentOutput
	running sync.WaitGroup

	mu       sync.Mutex
	listener net.Listener // nil while cut
	conns    map[net.Conn]bool
	faults   []relaytest.Fault
	release  chan struct{}  // closed to release the held request; nil if none is held
	held     sync.WaitGroup // the held requests, until they have been carried out
}

// agentOutput is a contact with a loop-current input. It records its movements.
type agentOutput struct {
	mu      sync.Mutex
	start   time.Time
	open    bool
	changes []relaytest.Change
}

func (o *agentOutput) Set(open bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.open != open {
		o.open = open
		o.changes = append(o.changes, relaytest.Change{At: time.Since(o.start), Open: open})
	}
	return nil
}

func (o *agentOutput) Get() (bool, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.open, nil
}

func (o *agentOutput) Current() (bool, error) {
	open, err := o.Get()
	return !open, err
}

func (o *agentOutput) Close() error { return nil }

func newAgentBoard(t *testing.T, open bool) *agentBoard {
	t.Helper()
	a, err := agent.New(agent.Options{MaxInterval: 3 * time.Second})
	require.NoError(t, err)
	b := &agentBoard{address: relaytest.Address(t), conns: map[net.Conn]bool{}}
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		out := &agentOutput{start: time.Now()}
		b.outputs[i] = out
		_, err := a.Contact(agent.ContactOptions{Name: name, Senses: true,
			Open: func() (agent.Output, error) { return out, nil }})
		require.NoError(t, err)
	}
	server := agent.NewServer(a, agent.ServerOptions{AllowFrom: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b.behind = l.Addr().String()
	a.Start()
	require.Empty(t, a.Ready(t.Context()))
	b.running.Go(func() {
		if err := server.Serve(l); err != nil {
			t.Errorf("the agent's server: %v", err)
		}
	})
	for i := range b.outputs {
		if open {
			b.Move(i, true)
		}
	}
	b.Restore()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		b.Cut()
		b.Release()
		require.Empty(t, a.Shutdown(ctx))
		server.Close(ctx)
		b.running.Wait()
	})
	return b
}

func (b *agentBoard) Restore() {
	b.mu.Lock()
	defer b.mu.Unlock()
	l, err := net.Listen("tcp", b.address)
	if err != nil {
		panic(err) // the methods of a Controller have no test that they could fail
	}
	b.listener = l
	b.running.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			b.running.Go(func() { b.carry(near, l) })
		}
	})
}

func (b *agentBoard) Cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.listener != nil {
		b.listener.Close()
	}
	b.listener = nil
	for c := range b.conns {
		c.Close()
	}
}

// keep records a connection, so that a cut can end it. It returns false if the cut came first.
func (b *agentBoard) keep(c net.Conn, l net.Listener) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.conns[c] = b.listener == l
	return b.listener == l
}

func (b *agentBoard) carry(near net.Conn, l net.Listener) {
	defer near.Close()
	far, err := net.Dial("tcp", b.behind)
	if err != nil {
		return
	}
	defer far.Close()
	if !b.keep(near, l) || !b.keep(far, l) {
		return
	}
	for {
		f, err := modbustest.ReadTCP(near)
		if err != nil {
			return
		}
		fault, is := b.fault(f.PDU)
		act := func() []byte {
			far.Write(modbustest.TCP(f.Transaction, f.Unit, f.PDU...))
			answer, err := modbustest.ReadTCP(far)
			if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, net.ErrClosed) {
				return nil
			}
			return answer.PDU
		}
		var answer []byte
		switch {
		case !is:
			answer = act()
		case fault.Do == relaytest.Refuse:
			answer = []byte{f.PDU[0] | 0x80, 6}
		case fault.Do == relaytest.Ignore:
			continue
		case fault.Do == relaytest.Mute:
			act()
			continue
		case fault.Do == relaytest.ActHangup:
			act()
			return
		case fault.Do == relaytest.Hangup:
			return
		case fault.Do == relaytest.Delay:
			<-time.After(fault.Delay)
			answer = act()
		case fault.Do == relaytest.StallRequest: // stalls before it reaches the agent; the connection stays up
			<-b.hold()
			answer = act()
			b.held.Done()
		}
		if answer == nil {
			return
		}
		near.Write(modbustest.TCP(f.Transaction, f.Unit, answer...))
	}
}

func (b *agentBoard) hold() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.release = make(chan struct{})
	b.held.Add(1)
	return b.release
}

func (b *agentBoard) Stalled() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.release == nil {
		return 0
	}
	return 1
}

func (b *agentBoard) Release() {
	b.mu.Lock()
	if b.release != nil {
		close(b.release)
		b.release = nil
	}
	b.mu.Unlock()
	b.held.Wait()
}

// fault takes the fault that applies to a request.
func (b *agentBoard) fault(pdu []byte) (relaytest.Fault, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, f := range b.faults {
		switch {
		case f.On == relaytest.Opening && pdu[0] != 16, f.On == relaytest.Closing &&
			pdu[0] != 5, pdu[0] == 2:
			continue
		}
		if f.Once {
			b.faults = slices.Delete(b.faults, i, i+1)
		}
		return f, true
	}
	return relaytest.Fault{}, false
}

func (b *agentBoard) Inject(f relaytest.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, f)
}

func (b *agentBoard) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *agentBoard) Move(line int, open bool) { _ = b.outputs[line].Set(open) }

func (b *agentBoard) Changes(line int) []relaytest.Change {
	o := b.outputs[line]
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.changes)
}

// TestSuiteAgent uses the agent as a board, with its sequence numbers, its watchdog and its inputs.
func TestSuiteAgent(t *testing.T) {
	t.Parallel()
	defer suiteTurn()()
	relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
		b := newAgentBoard(t, s.Open)
		sub := subject(t, b, b.address, s, func(o *ContactOptions) {
			o.Timed = &Timed{Register: 2 * o.Coil, Sequence: true, Unit: time.Millisecond, Limit: 3 * time.Second}
			o.Watchdog = &Watchdog{Register: 1000, Unit: time.Millisecond, Timeout: time.Second}
			o.Sense = &Sense{Input: o.Coil, CurrentOn: true}
		})
		sub.Late = relaytest.LateRefused
		return sub
	})
}
