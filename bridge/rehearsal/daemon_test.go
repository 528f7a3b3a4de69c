package rehearsal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/daemon"
	"clearback/config"
)

// startTestDaemon starts the daemon as `run` starts it. It is a [Starter].
func startTestDaemon(_ context.Context, c *config.Config, log *zap.Logger) (Daemon, error) {
	d, err := daemon.Start(c, daemon.Options{Logger: log})
	if err != nil {
		return nil, err
	}
	return d, nil
}

// played rehearses the scenes with a starter and returns the names of those that failed.
func played(t *testing.T, start Starter, scenes ...string) []string {
	var out bytes.Buffer
	err := Run(t.Context(), Options{Start: start, Scenes: scenes, JSON: true, Out: &out})
	if err != nil && !errors.Is(err, ErrScenesFailed) {
		require.NoError(t, err)
	}
	var r Report
	require.NoError(t, json.Unmarshal(out.Bytes(), &r))
	require.Equal(t, r.OK, err == nil)
	var failed []string
	for _, s := range r.Scenes {
		t.Logf("%s, %.0f ms: %v %s", s.Name, s.TookMS, s.OK, strings.Join(append(s.Problems, s.Seen...), "; "))
		if !s.OK {
			require.NotEmpty(t, s.Problems)
			failed = append(failed, s.Name)
		}
	}
	slices.Sort(failed)
	return failed
}

// changed starts the daemon with a changed configuration.
func changed(change func(l *config.Line)) Starter {
	return func(ctx context.Context, c *config.Config, log *zap.Logger) (Daemon, error) {
		other := *c
		other.Lines = slices.Clone(c.Lines)
		for i := range other.Lines {
			change(&other.Lines[i])
		}
		return startTestDaemon(ctx, &other, log)
	}
}

// A rehearsal that cannot fail proves nothing. A daemon without contacts passes in everything but the openings.
func TestRehearsalOfADaemonWithoutContacts(t *testing.T) {
	t.Parallel()
	failed := played(t, changed(func(l *config.Line) { l.Contact = config.Contact{Driver: "none"} }),
		"held-call", "house-call", "others-stay", "near-end-first", "short-interval", "emergency-call", "next-caller",
		"near-end-calls",
		"board-power", "cut-timed", "cut-plain", "daemon-ends")
	require.Equal(t, []string{
		"board-power", "cut-plain", "cut-timed", "daemon-ends", "held-call", "house-call", "near-end-calls",
		"next-caller", "others-stay", "short-interval",
	}, failed, "only scenes that leave the loop closed may pass")
}

func TestRehearsalOfADaemonWithAnotherInterval(t *testing.T) {
	t.Parallel()
	failed := played(t, changed(func(l *config.Line) {
		// The interval differs so much from the scene's that a late wake-up cannot hide it: a second instead of 300 ms,
		// and 250 ms instead of 800 ms.
		if l.Policy.Interval < 500*time.Millisecond {
			l.Policy.Interval = time.Second
		} else {
			l.Policy.Interval = 250 * time.Millisecond
		}
	}),
		"held-call", "house-call", "others-stay", "next-caller", "short-interval", "cut-timed", "near-end-first",
		"emergency-call")
	require.Equal(t, []string{"cut-timed", "held-call", "house-call", "next-caller", "others-stay", "short-interval"},
		failed)
}

// A daemon that does not recognise 911 as an emergency number would open the loop.
func TestRehearsalOfADaemonThatAlwaysOpens(t *testing.T) {
	t.Parallel()
	failed := played(t, startOpeningDaemon, "near-end-first", "emergency-call", "others-stay", "house-call")
	require.Equal(t, []string{"emergency-call", "house-call", "near-end-first", "others-stay"}, failed)
}

// openingDaemon is a daemon beside a program that opens every contact twice a second.
type openingDaemon struct {
	Daemon
	stop context.CancelFunc
	all  sync.WaitGroup
}

func startOpeningDaemon(ctx context.Context, c *config.Config, log *zap.Logger) (Daemon, error) {
	d, err := startTestDaemon(ctx, c, log)
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	r := &openingDaemon{Daemon: d, stop: stop}
	for _, b := range c.Controllers {
		m, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + b.Modbus.Address, Timeout: time.Second})
		if err == nil {
			err = m.Open()
		}
		if err != nil {
			return nil, errors.Join(err, r.Close())
		}
		r.all.Go(func() { disturb(ctx, m, c, b.Name) })
	}
	return r, nil
}

func disturb(ctx context.Context, m *modbus.ModbusClient, c *config.Config, board string) {
	defer func() { _ = m.Close() }()
	every := time.NewTicker(250 * time.Millisecond)
	defer every.Stop()
	for on := true; ; on = !on {
		select {
		case <-ctx.Done():
			return
		case <-every.C:
		}
		for _, l := range c.Lines {
			if l.Contact.Controller == board && m.SetUnitId(l.Contact.Unit) == nil {
				_ = m.WriteCoil(l.Contact.Coil, on) // the scenes find out whether it worked
			}
		}
	}
}

func (r *openingDaemon) Close() error {
	r.stop()
	r.all.Wait()
	return r.Daemon.Close()
}
