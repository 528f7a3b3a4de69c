package cli

import (
	"context"
	"errors"
	"flag"

	"go.uber.org/zap"

	"clearback/bridge/rehearsal"
	"clearback/config"
)

func rehearse(e *env, args []string) int {
	f := flag.NewFlagSet("rehearse", flag.ContinueOnError)
	o := rehearsal.Options{Start: startRehearsed, Out: e.Out}
	f.BoolVar(&o.Without, "without-clearback", false, "leave the daemon out: the trouble itself")
	f.BoolVar(&o.JSON, "json", false, "print the result as JSON")
	f.BoolVar(&o.AllHabits, "habits", false, "play every scene of a clearing with every habit of adapters")
	f.Func("habit", "play the scenes of a clearing with an adapter of the habit `NAME` (may be repeated)", func(s string) error {
		o.Habits = append(o.Habits, s)
		return nil
	})
	list := f.Bool("list", false, "name the scenes and end")
	f.Func("scene", "play only the scene `NAME` (may be repeated)", func(s string) error {
		o.Scenes = append(o.Scenes, s)
		return nil
	})
	if _, code, ok := e.parse(f, args, 0); !ok {
		return code
	}
	if *list {
		rehearsal.List(e.Out)
		return ExitOK
	}
	ctx, cancel := e.context()
	defer cancel()
	err := rehearsal.Run(ctx, o)
	switch {
	case errors.Is(err, rehearsal.ErrNoScene), errors.Is(err, rehearsal.ErrNoHabit):
		return e.fault("%v", err)
	case err != nil:
		return e.failed(err)
	}
	return ExitOK
}

// startRehearsed starts the daemon for a scene as `run` starts it.
func startRehearsed(_ context.Context, c *config.Config, log *zap.Logger) (rehearsal.Daemon, error) {
	d, err := StartDaemon(c, log)
	if err != nil {
		return nil, err // not d: a nil *Daemon in an interface is no nil
	}
	return d, nil
}
