// Package rehearsal plays the main job on one machine: a far end, a PBX, an adapter, a key system and a relay board
// that speak SIP, RTP and Modbus TCP over loopback with the daemon under rehearsal, on top of the electrical model of
// supervision/keysystem. Its peers share no protocol code with the daemon.
package rehearsal

import (
	"context"
	"errors"
	"io"
	"net/netip"

	"go.uber.org/zap"

	"clearback/config"
)

// Daemon is the daemon as `run` starts it.
type Daemon interface {
	// AdapterAddr is where the line listens for its adapter, ServiceAddr where it listens for the service.
	AdapterAddr(line string) netip.AddrPort
	ServiceAddr(line string) netip.AddrPort
	// Close ends the daemon in order; nothing of it runs afterwards.
	Close() error
}

// Starter starts the daemon on a configuration. The log carries each event and effect once, with the message "event"
// or "effect" and the text fields "line" and "text".
type Starter func(ctx context.Context, c *config.Config, log *zap.Logger) (Daemon, error)

// Options of [Run].
type Options struct {
	Start Starter
	// Without leaves the daemon out: the adapter registers at the PBX itself and nothing opens a loop.
	Without bool
	// Scenes are the names of those to play; empty: all that fit.
	Scenes []string
	// Habits are the names of the adapter's habits to play the clearing scenes with, each with an adapter, a PBX and a
	// daemon of its own; empty: the plain adapter plays.
	Habits []string
	// AllHabits plays with every habit there is.
	AllHabits bool
	// Tune plays the scene "tune", if that is named; nil: it cannot be played.
	Tune Tuner
	// JSON prints one [Report] instead of text.
	JSON bool
	Out  io.Writer
}

// Errors of [Run].
var (
	// ErrScenesFailed: at least one scene did not end as it should. The report says which and why.
	ErrScenesFailed = errors.New("rehearsal: not every scene ended as it should")
	// ErrNoScene: Options.Scenes names one that there is not.
	ErrNoScene = errors.New("rehearsal: there is no such scene")
)
