package mqtt

import (
	"context"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// startPageDevice starts the device on the contract's page.
func startPageDevice(t *testing.T, m *brokertest.Broker, prefix string) {
	t.Helper()
	page, err := os.ReadFile("../../../deploy/contract-mqtt.md")
	require.NoError(t, err)
	_, code, found := strings.Cut(string(page), "```python\n")
	require.True(t, found)
	code, _, _ = strings.Cut(code, "```")
	file := filepath.Join(t.TempDir(), "device.py")
	require.NoError(t, os.WriteFile(file, []byte(code), 0o600))
	host, port, err := net.SplitHostPort(m.Address())
	require.NoError(t, err)
	programtest.Start(t, exec.Command("python3", file, host, port, prefix))
}

// otherClient is a client other than the driver.
type otherClient struct {
	t      *testing.T
	conn   *broker.Conn
	prefix string
	states chan map[string]any // buffer: far more than the test needs
	token  string
	seq    int
	said   []string // the results of all commands, in the order of the states
}

func newOtherClient(t *testing.T, m *brokertest.Broker, prefix string) *otherClient {
	t.Helper()
	b, err := broker.New(broker.Options{Address: "mqtt://" + m.Address(), Timeout: relaytest.Timeout(testTimeout),
		KeepAlive: 5 * time.Second})
	require.NoError(t, err)
	s := &otherClient{t: t, prefix: prefix, states: make(chan map[string]any, 10_000)}
	s.conn, err = b.Dial(t.Context(), broker.Session{ClientID: broker.Unique(),
		Will: broker.Message{Topic: prefix + "/read", Payload: []byte("{}")},
		Receive: func(_ *broker.Conn, m broker.Publication) {
			var state map[string]any
			if json.Unmarshal(m.Payload, &state) == nil && state["online"] == true {
				s.states <- state
			}
		}, Subscribe: []broker.Subscription{{Topic: prefix + "/state"}}})
	require.NoError(t, err)
	t.Cleanup(func() { s.conn.Leave(false) })
	return s
}

// next waits for the next state.
func (s *otherClient) next() map[string]any {
	s.t.Helper()
	select {
	case state := <-s.states:
		s.token = state["token"].(string)
		if result, ok := state["result"].(string); ok {
			s.said = append(s.said, result)
		}
		return state
	case <-time.After(10 * time.Second):
		s.t.Fatal("no state")
		return nil
	}
}

// command sends a command and returns the state that answers it. A pulse without a token gets the token of the last
// state.
func (s *otherClient) command(topic string, k map[string]any) map[string]any {
	s.t.Helper()
	s.seq++
	k["from"], k["seq"] = "stranger", s.seq
	return s.publish(topic, k)
}

func (s *otherClient) publish(topic string, k map[string]any) map[string]any {
	s.t.Helper()
	payload, err := json.Marshal(k)
	require.NoError(s.t, err)
	ctx, cancel := context.WithTimeout(s.t.Context(), 5*time.Second)
	defer cancel()
	for len(s.states) > 0 {
		s.next()
	}
	if topic == TopicPulse && k["token"] == nil {
		k["token"] = s.token
		payload, err = json.Marshal(k)
		require.NoError(s.t, err)
	}
	require.NoError(s.t, s.conn.Publish(ctx, broker.Message{Topic: s.prefix + "/" + topic, Payload: payload,
		Expiry: CommandExpiry}, nil))
	for {
		if state := s.next(); state["from"] == "stranger" && state["seq"] == float64(s.seq) {
			return state
		}
	}
}

// TestPageDevice checks that the device on the contract's page does what the page says, for the driver and for other
// clients.
func TestPageDevice(t *testing.T) {
	t.Parallel()
	m, prefix := sharedBroker(t), broker.Unique()+"/box-office"
	startPageDevice(t, m, prefix)
	s := newOtherClient(t, m, prefix)
	first := s.next()
	require.NotEmpty(t, first["token"])
	delete(first, "token")
	require.Equal(t, map[string]any{"online": true, "open": false, "left_ms": 0.0, "pulses": 0.0}, first,
		"before the first command")

	b, err := NewBoard(Options{Name: "broker", Address: "mqtt://" + m.Address(),
		Timeout: relaytest.Timeout(testTimeout), Poll: time.Hour})
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office", Prefix: prefix, Limit: time.Minute})
	require.NoError(t, err)
	b.Start()
	defer func() { require.Empty(t, b.Shutdown(t.Context())) }()
	require.NoError(t, b.Ready(t.Context()))
	require.NoError(t, c.Try(t.Context()))
	seq := uint32(0)
	pulse := func(d time.Duration) relay.Result {
		seq++
		return c.Interrupt(t.Context(), relay.Interruption{Seq: seq, Duration: d,
			NotAfter: time.Now().Add(5 * time.Second)})
	}
	r := pulse(60 * time.Millisecond)
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	require.GreaterOrEqual(t, r.OpenFor, 59*time.Millisecond)
	r = pulse(4 * time.Second)
	require.Equal(t, relay.Refused, r.Outcome)
	require.Contains(t, relay.Reason(r.Err), "refused: too long; the limit is 3000 ms")

	require.Equal(t, "done", s.command(TopicRead, map[string]any{})["result"])
	old := s.token
	require.Equal(t, "done", s.command(TopicClose, map[string]any{})["result"])
	require.Equal(t, "refused", s.command(TopicPulse, map[string]any{"ms": 500, "token": old})["result"],
		"a token from before a close")
	order := map[string]any{"ms": 2000}
	state := s.command(TopicPulse, order)
	require.Equal(t, "done", state["result"], state["why"])
	require.Equal(t, true, state["open"])
	s.said = nil
	s.publish(TopicPulse, order)
	require.Equal(t, state["pulses"], s.command(TopicRead, map[string]any{})["pulses"],
		"the same number again has no effect")
	require.NotContains(t, s.said, "refused")
	state = s.command(TopicPulse, map[string]any{"ms": 0})
	require.Equal(t, "done", state["result"], state["why"])
	require.Equal(t, false, state["open"], "a length of 0 closes")
}
