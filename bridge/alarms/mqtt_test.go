package alarms

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
)

// subscriber subscribes to topics below millrace at a broker.
func subscriber(t *testing.T, b *brokertest.Broker, topics ...string) <-chan broker.Publication {
	t.Helper()
	c, err := broker.New(broker.Options{Address: "mqtt://" + b.Address(), Timeout: 10 * time.Second, KeepAlive: time.Minute})
	require.NoError(t, err)
	got := make(chan broker.Publication, 100) // more than a test publishes
	s := broker.Session{ClientID: broker.Unique(), Will: broker.Message{Topic: "unused"},
		Receive: func(_ *broker.Conn, p broker.Publication) { got <- p }}
	for _, topic := range topics {
		s.Subscribe = append(s.Subscribe, broker.Subscription{Topic: "millrace/" + topic})
	}
	conn, err := c.Dial(t.Context(), s)
	require.NoError(t, err)
	t.Cleanup(conn.Reset)
	return got
}

func receive(t *testing.T, got <-chan broker.Publication) broker.Publication {
	t.Helper()
	select {
	case p := <-got:
		return p
	case <-time.After(20 * time.Second):
		t.Fatal("nothing was published")
		return broker.Publication{}
	}
}

func newMQTT(t *testing.T, b *brokertest.Broker) *MQTT {
	t.Helper()
	w, err := NewMQTT(MQTTOptions{Address: "mqtt://" + b.Address(), Topic: "millrace"})
	require.NoError(t, err)
	return w
}

// TestMQTT checks at mosquitto what a message and its end publish, and which of it is retained.
func TestMQTT(t *testing.T) {
	b := brokertest.Own(t, brokertest.Anybody)
	w := newMQTT(t, b)
	const state = "state/line/box-office/unreachable"
	got := subscriber(t, b, "event", state, "availability", "state/a_b_")
	m := message(t, "a-1", false, "line/box-office/unreachable", "a+b#")
	answer, err := send(t, w, m, 10*time.Second)
	require.NoError(t, err)
	require.Contains(t, answer, "accepted 3 publications")
	p := receive(t, got)
	require.Equal(t, "millrace/"+state, p.Topic)
	var fields map[string]any
	require.NoError(t, json.Unmarshal(p.Payload, &fields))
	require.Subset(t, fields, map[string]any{"state": "on", "site": "Millrace Playhouse", "message": "a-1",
		"key": "line/box-office/unreachable", "line": "box-office", "reason": "unreachable"})
	require.Equal(t, "millrace/state/a_b_", receive(t, got).Topic)
	p = receive(t, got)
	require.Equal(t, "millrace/event", p.Topic)
	var event alarm.Message
	require.NoError(t, json.Unmarshal(p.Payload, &event))
	require.Equal(t, *m, event)

	end := message(t, "a-2", false, "line/box-office/unreachable")
	end.Alarms[0].Until = end.At
	_, err = send(t, w, end, 10*time.Second)
	require.NoError(t, err)
	require.Contains(t, string(receive(t, got).Payload), `"state":"off"`)
	require.Equal(t, "millrace/event", receive(t, got).Topic)
	late := subscriber(t, b, "event", state, "availability")
	p = receive(t, late)
	require.True(t, p.Retained)
	require.Contains(t, string(p.Payload), `"state":"off"`)
	require.Empty(t, late, "neither the event nor an availability is retained")
	require.Empty(t, got)
}

// TestMQTTAvailability checks that the availability is online while the queue is open, and offline after its end, after
// the end of its connection and of its process (the will); and that a single message for a test leaves it alone.
func TestMQTTAvailability(t *testing.T) {
	b := brokertest.Own(t, brokertest.Anybody)
	got := subscriber(t, b, "availability")
	w := newMQTT(t, b)
	q, _ := openQueue(filepath.Join(t.TempDir(), "alarms"), map[string]Way{"mqtt": w})
	require.Equal(t, "online", string(receive(t, got).Payload))
	_, err := send(t, newMQTT(t, b), message(t, "test", false), 10*time.Second)
	require.NoError(t, err)
	conn, err := w.connection(context.Background())
	require.NoError(t, err)
	conn.Reset()
	require.Equal(t, "offline", string(receive(t, got).Payload))
	require.NoError(t, q.Put(message(t, "a-1", false), nil)) // the next attempt connects again
	require.Equal(t, "online", string(receive(t, got).Payload))
	require.NoError(t, q.Close(10*time.Second))
	require.Equal(t, "offline", string(receive(t, got).Payload))
	require.Empty(t, got)
}

// TestMQTTDenied checks the answers of a broker that does not let us in, or not everywhere: the first may be cured
// there, and no error shows the password.
func TestMQTTDenied(t *testing.T) {
	b := brokertest.Own(t, "listener %d 127.0.0.1\nallow_anonymous false\n")
	w, err := NewMQTT(MQTTOptions{Address: "mqtt://" + b.Address(), Topic: "millrace", User: "alarms", Password: "s3cret"})
	require.NoError(t, err)
	_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
	require.ErrorContains(t, err, "wrong user or password")
	require.NotContains(t, err.Error(), "s3cret")
	b.Stop()
	_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
	require.ErrorContains(t, err, "refused")
	require.False(t, permanent(err))
}
