package modbus

import (
	"context"
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
	*modbustest.Server
	outputs [2]*agentOutput
}

// agentConn is the connection to the agent behind one to the proxy.
type agentConn struct{ net.Conn }

func (c agentConn) Act(f modbustest.Frame) []byte {
	_, err := c.Write(modbustest.TCP(f.Transaction, f.Unit, f.PDU...))
	if err != nil {
		return nil
	}
	answer, err := modbustest.ReadTCP(c)
	if err != nil {
		return nil
	}
	return answer.PDU
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
	b := &agentBoard{}
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
	a.Start()
	require.Empty(t, a.Ready(t.Context()))
	var running sync.WaitGroup
	running.Go(func() {
		if err := server.Serve(l); err != nil {
			t.Errorf("the agent's server: %v", err)
		}
	})
	for i := range b.outputs {
		if open {
			b.Move(i, true)
		}
	}
	t.Cleanup(func() { // after the proxy has ended
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		require.Empty(t, a.Shutdown(ctx))
		server.Close(ctx)
		running.Wait()
	})
	b.Server = modbustest.NewServer(t, modbustest.ServerOptions{
		AtOnce: true,
		Connect: func() (modbustest.Session, error) {
			c, err := net.Dial("tcp", l.Addr().String())
			return agentConn{c}, err
		},
		Meets: func(on relaytest.On, pdu []byte) bool {
			return pdu[0] != 2 && (on != relaytest.Opening || pdu[0] == 16) && (on != relaytest.Closing || pdu[0] == 5)
		},
	})
	return b
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
		sub := subject(t, b, b.Address(), s, func(o *ContactOptions) {
			o.Timed = &Timed{Register: 2 * o.Coil, Sequence: true, Unit: time.Millisecond, Limit: 3 * time.Second}
			o.Watchdog = &Watchdog{Register: 1000, Unit: time.Millisecond, Timeout: time.Second}
			o.Sense = &Sense{Input: o.Coil, CurrentOn: true}
		})
		sub.Late = relaytest.LateRefused
		return sub
	})
}
