package bridge

import (
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// slowOffer is a user agent whose Offer returns once the channel is closed.
type slowOffer struct {
	begun, end chan struct{} // begun is closed when Offer begins
}

func (s slowOffer) Offer(supervision.CallID) {
	close(s.begun)
	<-s.end
}
func (slowOffer) Refuse(supervision.CallID, int)     {}
func (slowOffer) ClearAdapterLeg(supervision.CallID) {}
func (slowOffer) ClearFarEnd(supervision.CallID)     {}
func (slowOffer) Probe()                             {}

// An effect that does not return holds the machine, so Ping does not return either.
func TestPingWaitsForTheMachine(t *testing.T) {
	l := NewLine(LineOptions{Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
		Epoch: time.Now(), Logger: zap.NewNop()})
	l.Ping() // the line does not run yet
	calls := slowOffer{make(chan struct{}), make(chan struct{})}
	l.Start(calls)
	l.Ping()
	posted := make(chan struct{}) // closed when Post has returned
	go func() {
		defer close(posted)
		l.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
	}()
	<-calls.begun
	var ended atomic.Bool
	pinged := make(chan bool, 1) // whether Offer had ended when Ping returned
	go func() {
		l.Ping()
		pinged <- ended.Load()
	}()
	for range 100 { // a Ping that does not wait returns meanwhile
		runtime.Gosched()
	}
	ended.Store(true)
	close(calls.end)
	assert.True(t, <-pinged)
	<-posted
	l.Stop()
	l.Ping()
}
