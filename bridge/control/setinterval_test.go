package control

import (
	"context"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge"
	"clearback/bridge/relay"
	"clearback/supervision"
)

// lineBackend is a fakeBackend with one real line.
type lineBackend struct {
	fakeBackend
	line *bridge.Line
}

func (h *lineBackend) SetInterval(_ string, d time.Duration) error {
	p := h.line.Policy()
	p.Interval = d
	h.line.SetPolicy(p)
	return nil
}

// calls is a bridge.Calls that does nothing.
type calls struct{}

func (calls) Offer(supervision.CallID)           {}
func (calls) Refuse(supervision.CallID, int)     {}
func (calls) ClearAdapterLeg(supervision.CallID) {}
func (calls) ClearFarEnd(supervision.CallID)     {}
func (calls) Probe()                             {}

// TestSetIntervalInUse measures how long a change of the interval takes from the client's call until the next clearing
// of a running line uses it. This includes the socket, HTTP at both ends and the line's goroutine. The limit is 10 ms.
// It applies to the median, so that other programs on this machine do not matter.
//
//	go test ./bridge/control -run SetIntervalInUse -v
func TestSetIntervalInUse(t *testing.T) {
	h := &lineBackend{line: bridge.NewLine(bridge.LineOptions{
		Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{}, Epoch: time.Now(),
		Logger: zap.NewNop(),
	})}
	h.line.Start(calls{})
	defer h.line.Stop()
	path := filepath.Join(t.TempDir(), "control")
	s, err := Listen(Options{Path: path, Backend: h})
	require.NoError(t, err)
	defer s.Close()
	c := NewClient(path)
	defer c.Close()
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	defer cancel()
	var took []time.Duration
	for i := range 100 {
		d := time.Duration(300+i) * time.Millisecond
		began := time.Now()
		require.NoError(t, c.SetInterval(ctx, "box-office", d))
		took = append(took, time.Since(began))
		require.Equal(t, d, h.line.View().Interval)
	}
	first := took[0] // includes the time to connect
	slices.Sort(took)
	t.Logf("first %v, then p50 %v, p99 %v, max %v", first, took[50], took[98], took[99])
	require.LessOrEqual(t, took[50], 10*time.Millisecond)
}
