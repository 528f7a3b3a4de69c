package cli

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/pflag"
	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/daemon"
	"clearback/bridge/rehearsal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/tuning"
)

func rehearse(f *pflag.FlagSet) action {
	o := rehearsal.Options{Start: startRehearsed, Tune: tuneRehearsed}
	f.BoolVar(&o.Without, "without-clearback", false, "leave out the daemon, to show that the holds do not clear")
	f.BoolVar(&o.JSON, "json", false, "print the result as JSON")
	f.BoolVar(&o.AllHabits, "habits", false, "play every scene of a clearing with every habit of adapters")
	f.StringArrayVar(&o.Habits, "habit", nil,
		"play the scenes of a clearing with an adapter of this `HABIT`; may be repeated")
	record := f.String("journal", "",
		"keep a journal in this `FILE`, for calls --journal and explain --journal; not with habits")
	list := f.Bool("list", false, "list the scenes and the habits, and exit")
	f.StringArrayVar(&o.Scenes, "scene", nil, "play only this `SCENE`; may be repeated")
	return func(e *env, _ []string) int {
		o.Out = e.Out
		if *list {
			rehearsal.List(e.Out)
			return ExitOK
		}
		if *record != "" {
			if o.AllHabits || len(o.Habits) > 0 {
				return e.fault("rehearse: --journal works with the plain adapter only, because each habit gets a daemon of its own")
			}
			o.Start = func(ctx context.Context, c *config.Config, log *zap.Logger) (rehearsal.Daemon, error) {
				c.Journal.File = *record
				return startRehearsed(ctx, c, log)
			}
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
}

// startRehearsed starts the daemon for a scene as `run` starts it.
func startRehearsed(_ context.Context, c *config.Config, log *zap.Logger) (rehearsal.Daemon, error) {
	d, err := daemon.Start(c, daemonOptions("", log))
	if err != nil {
		return nil, err // not d, because an interface that holds a nil *daemon.Daemon is not nil
	}
	return d, nil
}

// tuneRehearsed runs a tuning session as `tune` does, without the control socket.
func tuneRehearsed(ctx context.Context, d rehearsal.Daemon, line string, near rehearsal.NearEnd) (time.Duration, string,
	error) {
	served, ok := d.(*daemon.Daemon)
	if !ok {
		return 0, "", fmt.Errorf("the daemon under rehearsal is a %T, which cannot be asked for trials", d)
	}
	l := served.Line(line)
	if l == nil {
		return 0, "", fmt.Errorf("there is no line %q", line)
	}
	t := &tuner{
		line: line, session: time.Now().UnixMilli(), plan: planFor(l.Config(), supervision.IntervalFloor, false,
			defaultMaxHolds),
		client: localTrials{served.Backend()}, operator: rehearsalOperator{near},
		say: func(string, ...any) {},
	}
	r, err := t.run(ctx)
	return r.Recommended, r.Text, err
}

// localTrials is a trialClient that calls the daemon's backend directly, without the control socket.
type localTrials struct{ h control.Backend }

func (b localTrials) BeginTrials(_ context.Context, line string) error { return b.h.BeginTrials(line) }
func (b localTrials) Ring(ctx context.Context, line string) (uint64, error) {
	return b.h.Ring(ctx, line)
}
func (b localTrials) Clear(ctx context.Context, line string, interval time.Duration,
	pulseDiallingOff bool) (control.Trial, error) {
	return b.h.Clear(ctx, line, interval, pulseDiallingOff)
}
func (b localTrials) SaveTrial(_ context.Context, line string, a control.TrialAnswer) error {
	return b.h.SaveTrial(line, a)
}
func (b localTrials) EndTrials(_ context.Context, line string) error { return b.h.EndTrials(line) }

// rehearsalOperator is the rehearsal's near end as an operator.
type rehearsalOperator struct{ rehearsal.NearEnd }

// Answer implements operator.
func (p rehearsalOperator) Answer(ctx context.Context, _, _ int) error { return p.NearEnd.Answer(ctx) }

// Lamp implements operator.
func (p rehearsalOperator) Lamp(ctx context.Context) (tuning.Answer, error) {
	out, err := p.LampOut(ctx)
	if out {
		return tuning.Cleared, err
	}
	return tuning.Stayed, err
}

// RangUp implements operator. The modelled adapter never rings the line after an interruption.
func (p rehearsalOperator) RangUp(context.Context) (bool, error) { return false, nil }

// Free implements operator.
func (p rehearsalOperator) Free(ctx context.Context, _ tuning.Answer) error { return p.HangUp(ctx) }
