package broker

import (
	"context"
	"errors"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/stretchr/testify/require"
)

// TestReasonCodes checks that the reason codes that an operator may meet are explained (MQTT 5.0, section 2.4).
func TestReasonCodes(t *testing.T) {
	for code, want := range map[byte]string{
		0x84: "does not speak MQTT 5", 0x85: "client identifier", 0x86: "wrong user or password",
		0x87: "not authorized", 0x88: "busy or shutting down", 0x89: "busy or shutting down",
		0x8b: "busy or shutting down", 0x8e: "another client", 0x97: "quota",
	} {
		require.Contains(t, explain(code), want)
	}
	for code := range 0x84 {
		require.Empty(t, explain(byte(code)))
	}
	for _, code := range []byte{0x8a, 0x8c, 0x8d, 0x8f, 0x96, 0x98} {
		require.Empty(t, explain(code))
	}
}

// TestExpiry checks that the expiry is in whole seconds, and that 0 means no expiry.
func TestExpiry(t *testing.T) {
	require.Nil(t, expiry(0))
	require.Equal(t, uint32(1), *expiry(time.Second))
	require.Equal(t, uint32(60), *expiry(time.Minute))
}

// TestFirstCause checks that a connection keeps the first error as its cause, and that later failures name that cause.
func TestFirstCause(t *testing.T) {
	c := &Conn{gone: make(chan struct{})}
	first, other := errors.New("first"), errors.New("other")
	require.EqualError(t, c.failure("publishing", other), "publishing: other")
	c.Fail(first)
	c.Fail(other)
	<-c.Gone()
	require.Equal(t, first, c.Cause())
	err := c.failure("publishing", other)
	require.ErrorIs(t, err, ErrConnEnded)
	require.ErrorIs(t, err, first)
	require.NotErrorIs(t, err, other)
}

// TestNames checks that unique names differ and are valid as part of a client identifier.
func TestNames(t *testing.T) {
	seen := map[string]bool{}
	for range 100 {
		name := Unique()
		require.Regexp(t, "^[a-z2-7]{13}$", name)
		require.False(t, seen[name])
		seen[name] = true
	}
}

// TestRefusedSubscription: it is told by its topic and the broker's reason, and the connection is not used.
func TestRefusedSubscription(t *testing.T) {
	b, err := New(Options{Address: "mqtt://broker.example", Timeout: 5 * time.Second, KeepAlive: time.Minute,
		Dial: func(context.Context, string) (net.Conn, error) {
			near, far := net.Pipe()
			go refuseSecondTopic(far)
			return near, nil
		}})
	require.NoError(t, err)
	_, err = b.Dial(t.Context(), Session{ClientID: "clearback", Will: Message{Topic: "box-office/close"},
		Subscribe: []Subscription{{Topic: "box-office/state"}, {Topic: "box-office/current"}}})
	require.ErrorContains(t, err,
		"the broker refused the subscription to box-office/current: reason code 0x87")
}

// refuseSecondTopic is a broker that allows one topic of a subscription, until the connection ends.
func refuseSecondTopic(c net.Conn) {
	defer c.Close()
	for {
		p, err := packets.ReadPacket(c)
		if err != nil {
			return
		}
		switch m := p.Content.(type) {
		case *packets.Connect:
			_, err = packets.NewControlPacket(packets.CONNACK).WriteTo(c)
		case *packets.Subscribe:
			a := packets.NewControlPacket(packets.SUBACK)
			content := a.Content.(*packets.Suback)
			content.PacketID, content.Reasons = m.PacketID, []byte{1, 0x87}
			_, err = a.WriteTo(c)
		}
		if err != nil {
			return
		}
	}
}
