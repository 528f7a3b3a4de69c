package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// scenesAtOnce is the number of scenes that run concurrently on several test beds, each with its own daemon. Two small
// cores can run that many.
const scenesAtOnce = 45

// batch is what one test bed runs.
type batch struct {
	habit  habit
	scenes []scene
}

// Run runs the scenes concurrently and prints the report. It returns ErrScenesFailed if a scene did not end as it
// should, ErrNoScene or ErrNoHabit for an unknown name, or the error that prevented a test bed from being set up. When
// Run returns, nothing is left running.
func Run(ctx context.Context, o Options) error {
	casts, err := choose(o)
	if err != nil {
		return err
	}
	began := time.Now()
	r, closed, err := runBatches(ctx, o, casts)
	if err != nil {
		return err
	}
	r.TookMS = inMS(time.Since(began))
	switch err := r.print(o); {
	case err != nil:
		return fmt.Errorf("rehearsal: printing the report: %w", errors.Join(err, closed))
	case closed != nil:
		return fmt.Errorf("rehearsal: %w", closed)
	case ctx.Err() != nil:
		return fmt.Errorf("rehearsal: stopped: %w", ctx.Err())
	case !r.OK:
		return ErrScenesFailed
	}
	return nil
}

// runBatches runs each batch on its own test bed. closed is the error of shutting down; err is the error that prevented
// a test bed from being set up.
func runBatches(ctx context.Context, o Options, casts []batch) (r *Report, closed, err error) {
	if len(casts) == 1 {
		return runBatch(ctx, o, casts[0])
	}
	reports, ends, faults := make([]*Report, len(casts)), make([]error, len(casts)), make([]error, len(casts))
	free := make(chan struct{}, max(1, scenesAtOnce/len(casts[0].scenes))) // a token for each test bed that may run
	var all sync.WaitGroup
	for i, c := range casts {
		all.Go(func() {
			free <- struct{}{}
			defer func() { <-free }()
			reports[i], ends[i], faults[i] = runBatch(ctx, o, c)
		})
	}
	all.Wait()
	if err := errors.Join(faults...); err != nil {
		return nil, nil, err
	}
	r = reports[0]
	for _, other := range reports[1:] {
		r.add(other)
	}
	return r, errors.Join(ends...), nil
}

func runBatch(ctx context.Context, o Options, c batch) (r *Report, closed, err error) {
	s, err := newTestBed(ctx, o, c.habit, c.scenes)
	if err != nil {
		return nil, nil, fmt.Errorf("rehearsal: setting up the test bed: %w", err)
	}
	var all sync.WaitGroup
	for _, p := range s.runs {
		all.Go(func() { p.runScene(ctx) })
	}
	all.Wait()
	closed = s.endDaemon()
	for _, p := range s.runs {
		if p.ending {
			p.checkScene()
		}
	}
	return s.report(), errors.Join(closed, s.close()), nil
}

// habits returns the names of the requested habits.
func (o *Options) habits() []string {
	if !o.AllHabits {
		return o.Habits
	}
	var all []string
	for _, h := range habits() {
		all = append(all, h.name)
	}
	return all
}

func clearingScenes() []string {
	var all []string
	for _, s := range scenes() {
		if s.clearing {
			all = append(all, s.name)
		}
	}
	return all
}

func choose(o Options) ([]batch, error) {
	names := o.habits()
	chosen, err := chooseScenes(o, len(names) > 0)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return []batch{{scenes: chosen}}, nil
	}
	if o.Without {
		return nil, fmt.Errorf("%w: habits have no effect without the daemon; leave them out",
			ErrNoHabit)
	}
	var casts []batch
	for _, name := range names {
		h, err := habitNamed(name)
		if err != nil {
			return nil, err
		}
		casts = append(casts, batch{h, chosen})
	}
	return casts, nil
}

func chooseScenes(o Options, withHabits bool) ([]scene, error) {
	var chosen []scene
	known := map[string]bool{}
	for _, s := range scenes() {
		if o.Without && !s.without || withHabits && !s.clearing || s.named && o.Tune == nil {
			continue
		}
		known[s.name] = true
		if len(o.Scenes) == 0 && !s.named || slices.Contains(o.Scenes, s.name) {
			chosen = append(chosen, s)
		}
	}
	for _, name := range o.Scenes {
		if !known[name] {
			what := "see the list of scenes"
			switch {
			case o.Without:
				what = "not every scene can run without the daemon"
			case withHabits:
				what = "not every scene can run with an adapter's habits"
			}
			return nil, fmt.Errorf("%w named %q; %s", ErrNoScene, name, what)
		}
	}
	return chosen, nil
}
