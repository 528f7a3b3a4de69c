// Package rehearsal runs the main job on one machine. A simulated far end, PBX, adapter, key system and relay board
// communicate with the daemon over loopback by SIP, RTP and Modbus TCP. The key system uses the electrical model of
// supervision/keysystem. These peers share no protocol code with the daemon.
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
	// AdapterAddr returns the address where the line listens for its adapter. ServiceAddr returns the address where it
	// listens for the service.
	AdapterAddr(line string) netip.AddrPort
	ServiceAddr(line string) netip.AddrPort
	// Close shuts the daemon down. When it returns, nothing of the daemon is running.
	Close() error
}

// Starter starts a daemon with a configuration. The daemon has to log each event and effect once, with the message
// "event" or "effect" and the text fields "line" and "text".
type Starter func(ctx context.Context, c *config.Config, log *zap.Logger) (Daemon, error)

// Options are the options of [Run].
type Options struct {
	Start Starter
	// With Without there is no daemon: the adapter registers directly at the PBX and nothing opens a loop.
	Without bool
	// Scenes are the names of the scenes to run. If it is empty, all suitable scenes run.
	Scenes []string
	// Habits are the names of the adapter habits with which the clearing scenes run. Each habit has its own adapter,
	// PBX and daemon. If it is empty, the adapter has no habits.
	Habits []string
	// AllHabits runs the clearing scenes with every known habit.
	AllHabits bool
	// Tune runs the scene "tune", if Scenes names it. If Tune is nil, that scene cannot run.
	Tune Tuner
	// JSON prints one [Report] instead of text.
	JSON bool
	Out  io.Writer
}

// The errors of [Run].
var (
	// ErrScenesFailed means that at least one scene did not end as it should. The report says which and why.
	ErrScenesFailed = errors.New("rehearsal: at least one scene did not end as it should")
	// ErrNoScene means that Options.Scenes has an unknown name.
	ErrNoScene = errors.New("rehearsal: there is no scene")
)
