package controller_test

import (
	"context"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

func background(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// TestACloseThatGoesFirst: where requests may overtake each other on the way, a close is done only when it is done behind the opening too.
func TestACloseThatGoesFirst(t *testing.T) {
	b := newBench(false)
	d := newDriver(t, b, true, controller.Options{Unordered: true, Poll: time.Hour}, nil)
	d.group.Start()
	require.NoError(t, d.group.Ready(background(t)))
	const late = 80 * time.Millisecond
	b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: late})
	result := make(chan relay.Result, 1) // read at the end
	go func() {
		result <- d.contacts[0].Interrupt(background(t), relay.Interruption{Seq: 1, Duration: 5 * time.Second, NotAfter: time.Now().Add(time.Second)})
	}()
	require.Eventually(t, func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.faults) == 0 }, time.Second, time.Millisecond)
	require.NoError(t, d.contacts[0].Close(background(t)))
	closed := time.Since(b.began)
	<-result
	b.mu.Lock()
	defer b.mu.Unlock()
	require.False(t, b.open[0])
	for _, c := range b.changes[0] {
		require.Less(t, c.At, closed, "it moved after the close was confirmed: %v", b.changes[0])
	}
}
