package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"clearback/bridge/control"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/sipua"
	"clearback/config"
)

// retryChanges is how often a change that waits for its lines is tried again. Our own number.
const retryChanges = 200 * time.Millisecond

// awaitControllers is how long a reload waits for the controllers to be connected, so that an opening by hand right
// after it succeeds. Our own number.
const awaitControllers = 500 * time.Millisecond

// reloads loads the configuration file again while the daemon runs (SAFETY.md S124 to S126). A file with a fault, or
// with a change that only a restart can make, changes nothing. Otherwise each line is changed as soon as it is idle:
// see reloadgroup.go. The file counts as loaded at once, so a later reload starts from it.
type reloads struct {
	// set once
	d      *Daemon
	path   string
	notify func(state string)
	// closeFor is closeBeforeChange. Tests use a shorter time.
	closeFor time.Duration

	loaded  atomic.Pointer[config.Config]     // what the lines are, or will be
	waiting atomic.Pointer[[]control.Waiting] // replaced as a whole
	// left are the contacts that were not known closed when their controller was ended, and that no line has any more.
	left atomic.Pointer[[]drivers.NotClosed] // replaced as a whole

	telling sync.Mutex // held while the service manager is told a state
	silent  bool       // guarded by telling: it is told no more

	asked   sync.Mutex // held for the length of a request, so that requests in a loop do not queue
	outcome string     // of the last request; guarded by asked

	mu          sync.Mutex                    // held while lines and contacts are changed
	ended       bool                          // the daemon is ending: nothing changes any more
	retrying    bool                          // a goroutine tries the waiting changes again
	controllers map[string]*config.Controller // those that run
	pauses      map[string]*pause             // of groups whose controllers failed, by group.key
	work        sync.WaitGroup                // that goroutine
}

func newReloads(d *Daemon, c *config.Config, o Options) *reloads {
	r := &reloads{d: d, path: o.Path, notify: o.Notify, controllers: map[string]*config.Controller{},
		pauses: map[string]*pause{}, closeFor: min(closeBeforeChange, d.closeFor)}
	r.loaded.Store(c)
	for i := range c.Controllers {
		r.controllers[c.Controllers[i].Name] = &c.Controllers[i]
	}
	return r
}

// end waits for a change that is under way. Nothing is changed afterwards. d.ending is closed.
func (r *reloads) end() {
	r.mu.Lock()
	r.ended = true
	r.mu.Unlock()
	r.work.Wait()
}

// edited says that the file is no longer the one that was loaded, and what to do. It returns "" if it is the same.
func (r *reloads) edited() string {
	switch edited, err := r.loaded.Load().Edited(); {
	case err != nil:
		return "the configuration file cannot be read any more: " + err.Error()
	case edited:
		return r.path + " was edited and is not loaded; check it (clearback check), then load it (clearback reload)"
	}
	return ""
}

// waitingNow returns the lines whose change waits.
func (r *reloads) waitingNow() []control.Waiting {
	if all := r.waiting.Load(); all != nil {
		return *all
	}
	return nil
}

// waitingOrLeft returns the lines whose change waits, and the contacts that are left.
func (r *reloads) waitingOrLeft() []control.Waiting {
	all := slices.Clone(r.waitingNow())
	for _, n := range r.leftNow() {
		all = append(all, control.Waiting{Line: n.Line, Change: "contact", Why: fmt.Sprintf("%s: %s; go and look, "+
			"and then restart the daemon", n.Controller, closeError(n.Err))})
	}
	return all
}

// leftNow returns the contacts that are left.
func (r *reloads) leftNow() []drivers.NotClosed {
	if all := r.left.Load(); all != nil {
		return *all
	}
	return nil
}

// takeInterval is called when an interval has been set. If the file differs from what was loaded only because that
// interval was written into it, the file counts as loaded. r.mu is held, also while the interval is set.
func (r *reloads) takeInterval(l *Line, interval time.Duration) {
	c, ok := r.loaded.Load().WithTuned(l.name, interval)
	if !ok || slices.ContainsFunc(r.waitingNow(), func(w control.Waiting) bool { return w.Line == l.name }) {
		return
	}
	r.loaded.Store(c)
	if i := lineIndex(c, l.name); i >= 0 {
		l.setParts(func(p *parts) { p.c = &c.Lines[i] })
	}
}

// lineIndex returns the index of a line of the configuration, or -1.
func lineIndex(c *config.Config, name string) int {
	return slices.IndexFunc(c.Lines, func(l config.Line) bool { return l.Name == name })
}

// Reload implements control.Backend.
func (h *backend) Reload() (control.Reload, error) {
	r := h.d.reloads
	if !r.asked.TryLock() {
		return control.Reload{}, &control.Error{Code: http.StatusConflict, Reason: control.ReasonBusy,
			Text: "a reload is under way; try again"}
	}
	defer r.asked.Unlock()
	return r.reload()
}

// reload reads the file and carries out what has changed in it. Secrets are read again too. asked is held.
func (r *reloads) reload() (control.Reload, error) {
	r.tell("RELOADING=1\nMONOTONIC_USEC=" + fmt.Sprint(monotonic().Microseconds()))
	defer r.tell("READY=1")
	began := time.Now()
	out, err := r.load()
	last := r.outcome
	if r.outcome = fmt.Sprint(out, err); r.outcome == last { // somebody reloads in a loop
		return out, err
	}
	if err != nil {
		r.d.log.Error("the configuration file was not reloaded; the daemon continues with what it has loaded",
			zap.Error(err))
		return control.Reload{}, err
	}
	r.d.log.Info("the configuration file was reloaded", zap.Strings("added", out.Added),
		zap.Strings("changed", out.Changed), zap.Strings("removed", out.Removed), zap.Int("kept", len(out.Kept)),
		zap.Strings("controllers", out.Controllers), zap.Int("waiting", len(out.Waiting)),
		zap.Duration("after", time.Since(began)))
	return out, nil
}

func (r *reloads) tell(state string) {
	r.telling.Lock()
	defer r.telling.Unlock()
	if r.notify != nil && !r.silent {
		r.notify(state)
	}
}

// tellLast tells a state that no later one of a reload under way must replace.
func (r *reloads) tellLast(state string) {
	r.telling.Lock()
	defer r.telling.Unlock()
	r.notify(state)
	r.silent = true
}

// monotonic returns the time of the clock that sd_notify(3) asks for. The kernel always has it.
func monotonic() time.Duration {
	var t unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &t)
	return time.Duration(t.Nano())
}

func (r *reloads) load() (out control.Reload, err error) {
	if r.path == "" {
		return out, refused("the daemon was started without a configuration file")
	}
	c, faults, err := config.Load(r.path)
	switch {
	case err != nil:
		return out, refused(err.Error())
	case len(faults) > 0:
		return out, &control.Error{Code: http.StatusUnprocessableEntity, Reason: control.ReasonFaults,
			Text: strings.TrimSpace(faults.String())}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ended {
		return out, errEnding("reload")
	}
	if err := r.possible(c); err != nil {
		return out, err
	}
	r.loaded.Store(c)
	r.d.alarms.configure(c)
	clear(r.pauses) // somebody wants to know now
	groups := r.groups(c)
	out = control.Reload{Added: []string{}, Changed: []string{}, Removed: []string{}, Kept: []string{},
		Controllers: []string{}}
	for i := range c.Lines {
		if !slices.ContainsFunc(groups, func(g *group) bool { return g.change[c.Lines[i].Name] != "" }) {
			out.Kept = append(out.Kept, c.Lines[i].Name)
		}
	}
	for _, g := range groups {
		for name, change := range g.change {
			switch change {
			case added:
				out.Added = append(out.Added, name)
			case changed:
				out.Changed = append(out.Changed, name)
			case removed:
				out.Removed = append(out.Removed, name)
			}
		}
		out.Controllers = append(out.Controllers, g.controllers...)
	}
	for _, names := range [][]string{out.Added, out.Changed, out.Removed, out.Controllers} {
		slices.Sort(names)
	}
	r.apply(groups)
	if len(out.Controllers) > 0 && len(r.waitingNow()) == 0 {
		ctx, cancel := context.WithTimeout(context.Background(), awaitControllers)
		defer cancel()
		_ = r.d.contacts.Ready(ctx) // one that does not answer raises an alarm of its own
	}
	out.Waiting = r.waitingOrLeft()
	return out, nil
}

func refused(text string) error {
	return &control.Error{Code: http.StatusUnprocessableEntity, Reason: control.ReasonRefused, Text: text}
}

// possible returns an error if the running daemon could not become what c describes.
func (r *reloads) possible(c *config.Config) error {
	restart := c.NeedsRestart(r.loaded.Load())
	var all []sipua.LineOptions
	for i := range c.Lines {
		o, err := lineOptions(c, &c.Lines[i], nil)
		if err == nil {
			err = r.d.agent.Check([]sipua.LineOptions{o})
		}
		switch at := fmt.Sprintf("lines[%d]", i); {
		case errors.Is(err, sipua.ErrNoSocket):
			restart = append(restart, c.At(at, "its adapter or service has a socket that is not open yet; sockets change only with a restart of the daemon"))
		case errors.Is(err, sipua.ErrNoRelay):
			restart = append(restart, c.At(at+".media", "no line relayed media until now; that changes only with a restart of the daemon"))
		case err != nil:
			return refused(err.Error())
		}
		all = append(all, o)
	}
	if len(restart) > 0 {
		return &control.Error{Code: http.StatusConflict, Reason: control.ReasonRestart,
			Text: strings.TrimSpace(restart.String())}
	}
	if err := cmp.Or(r.d.agent.Check(all), drivers.Check(c)); err != nil {
		return refused(err.Error())
	}
	return nil
}

// apply carries out each group whose lines are idle. If any has to wait, a goroutine tries again until none does.
// r.mu is held.
func (r *reloads) apply(groups []*group) {
	waiting := []control.Waiting{}
	for _, g := range r.together(groups) {
		if why := r.applyGroup(g); why != "" {
			for _, name := range g.lines {
				waiting = append(waiting, control.Waiting{Line: name, Change: string(cmp.Or(g.change[name], moved)),
					Why: why})
			}
			if len(g.lines) == 0 {
				waiting = append(waiting, control.Waiting{Change: string(moved), Why: why})
			}
		}
	}
	slices.SortFunc(waiting, func(a, b control.Waiting) int { return cmp.Compare(a.Line, b.Line) })
	r.logWaiting(waiting)
	r.waiting.Store(&waiting)
	if len(waiting) > 0 && !r.retrying {
		r.retrying = true
		r.work.Go(r.retry)
	}
}

// together makes one group of those that concern idle lines and no controller, so that many lines change at once.
func (r *reloads) together(groups []*group) (all []*group) {
	one := &group{change: map[string]lineChange{}}
	for _, g := range groups {
		if len(g.controllers) > 0 || slices.ContainsFunc(g.lines, func(name string) bool {
			l := r.d.Line(name)
			if l == nil || l.beginChange() != "" {
				return l != nil
			}
			l.endChange()
			return false
		}) {
			all = append(all, g)
			continue
		}
		one.c, one.lines = g.c, append(one.lines, g.lines...)
		maps.Copy(one.change, g.change)
	}
	if len(one.lines) > 0 {
		all = append(all, one)
	}
	return all
}

// logWaiting logs each change that waits for something new.
func (r *reloads) logWaiting(now []control.Waiting) {
	before := r.waitingNow()
	for _, w := range now {
		if !slices.Contains(before, w) {
			r.d.log.Info("the change of a line waits", zap.String("line", w.Line), zap.String("change", w.Change),
				zap.String("because", w.Why))
		}
	}
}

// retry tries the waiting changes again until none is left or the daemon ends.
func (r *reloads) retry() {
	tick := time.NewTicker(retryChanges)
	defer tick.Stop()
	for {
		select {
		case <-r.d.ending:
			return
		case <-tick.C:
		}
		r.mu.Lock()
		if !r.ended {
			r.apply(r.groups(r.loaded.Load()))
		}
		done := r.ended || len(r.waitingNow()) == 0
		r.retrying = !done
		r.mu.Unlock()
		if done {
			return
		}
	}
}
