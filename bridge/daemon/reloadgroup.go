package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/sipua"
	"clearback/config"
	"clearback/supervision"
)

// lineChange is what a reload does with a line.
type lineChange string

const (
	added   lineChange = "added"
	changed lineChange = "changed"
	removed lineChange = "removed"
	moved   lineChange = "controller" // the line stays as it is, and its controller is replaced
)

// group is a part of a reload that can only be carried out as a whole. A driver gets its contacts when it starts, so a
// controller that changes, or that gets or loses a line, is replaced. All its lines have to be idle for that, also
// those that stay as they are. Lines that take over an account from one another change together too.
type group struct {
	c *config.Config // the file
	// lines are the names of all lines concerned, controllers those of the controllers to be replaced.
	lines, controllers []string
	change             map[string]lineChange
	shared             []string // what its lines have in common, now or later: controllers and accounts
}

// grouping makes groups of lines that share something.
type grouping struct {
	c         *config.Config
	replaced  map[string]bool // the controllers that have to be started, replaced or ended
	bySharing map[string]*group
	all       []*group
}

// join makes one group of g and of the group whose lines share the same thing.
func (s *grouping) join(g *group, shared string) {
	if other := s.bySharing[shared]; other != nil && other != g {
		s.all = slices.DeleteFunc(s.all, func(x *group) bool { return x == other })
		g.lines, g.controllers = append(g.lines, other.lines...), append(g.controllers, other.controllers...)
		g.shared = append(g.shared, other.shared...)
		maps.Copy(g.change, other.change)
	}
	g.shared = append(g.shared, shared)
	for _, one := range g.shared {
		s.bySharing[one] = g
	}
}

// add adds a line as it is and will be. change is "" if the line stays as it is; it is left out then, unless its
// controller is replaced.
func (s *grouping) add(line string, change lineChange, states ...*config.Line) {
	g := &group{c: s.c, change: map[string]lineChange{}}
	for _, l := range states {
		if name := l.Contact.Controller; s.replaced[name] {
			s.join(g, "controller "+name)
			if !slices.Contains(g.controllers, name) {
				g.controllers = append(g.controllers, name)
			}
		}
		for _, account := range accountsOf(l) {
			if change != "" {
				s.join(g, account)
			}
		}
	}
	if change != "" {
		g.change[line] = change
	}
	if change != "" || len(g.controllers) > 0 {
		g.lines = append(g.lines, line)
		s.all = append(s.all, g)
	}
}

// groups returns what has to be done until the daemon is what c describes. r.mu is held.
func (r *reloads) groups(c *config.Config) []*group {
	is, will := map[string]*config.Line{}, map[string]*config.Line{}
	for _, l := range r.d.all() {
		is[l.name] = l.Config()
	}
	for i := range c.Lines {
		will[c.Lines[i].Name] = &c.Lines[i]
	}
	s := &grouping{c: c, replaced: r.replacedControllers(c, is, will), bySharing: map[string]*group{}}
	for name, now := range is {
		switch next := will[name]; {
		case next == nil:
			s.add(name, removed, now)
		case !reflect.DeepEqual(now, next):
			s.add(name, changed, now, next)
		default:
			s.add(name, "", now)
		}
	}
	for name, next := range will {
		if is[name] == nil {
			s.add(name, added, next)
		}
	}
	for name := range s.replaced {
		if s.bySharing["controller "+name] == nil { // without a line
			s.all = append(s.all, &group{c: c, controllers: []string{name}, change: map[string]lineChange{}})
		}
	}
	return s.all
}

// accountsOf returns what identifies the accounts of a line, at its adapter's side and at its services.
func accountsOf(l *config.Line) []string {
	all := []string{"adapter " + l.Adapter.User, "service " + l.Service.User}
	if l.Service.Second != nil {
		all = append(all, "service "+l.Service.Second.User)
	}
	return all
}

// replacedControllers returns the controllers that have to be started, replaced or ended.
func (r *reloads) replacedControllers(c *config.Config, is, will map[string]*config.Line) map[string]bool {
	contacts := func(lines map[string]*config.Line, controller string) map[string]config.Contact {
		all := map[string]config.Contact{}
		for name, l := range lines {
			if l.Contact.Controller == controller {
				all[name] = l.Contact
			}
		}
		return all
	}
	replaced, next := map[string]bool{}, map[string]*config.Controller{}
	for i := range c.Controllers {
		next[c.Controllers[i].Name] = &c.Controllers[i]
	}
	for name, now := range next {
		replaced[name] = !reflect.DeepEqual(r.controllers[name], now) ||
			!reflect.DeepEqual(contacts(is, name), contacts(will, name))
	}
	for name := range r.controllers {
		replaced[name] = replaced[name] || next[name] == nil
	}
	for name, is := range replaced {
		if !is {
			delete(replaced, name)
		}
	}
	return replaced
}

const (
	// closeBeforeChange is how long a change waits for the confirmations that the contacts concerned are closed, for
	// each of them: they may share a slow bus. Our own number: the longest time-out of one request is 10 s, but a
	// controller that works answers within a second.
	closeBeforeChange = time.Second
	// admissionWait is how long a change waits for calls that are being admitted, which takes milliseconds. Our own
	// number.
	admissionWait = time.Second
)

// callInTheWay is why the lines of a group were not exchanged.
const callInTheWay = "a call is beginning or ending, or an emergency call of a removed line is still up"

// applyGroup carries out a group if all its lines are idle and all contacts that it takes away are known to be closed.
// Otherwise it changes nothing and returns what it waits for. r.mu is held.
func (r *reloads) applyGroup(g *group) (why string) {
	var lines []*Line
	for _, l := range r.d.all() {
		if slices.Contains(g.lines, l.name) {
			lines = append(lines, l)
		}
	}
	for _, l := range lines {
		if why := l.beginChange(); why != "" {
			return why
		}
		defer l.endChange()
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-r.d.ending:
			cancel()
		case <-ctx.Done():
		}
	}()
	if p := r.pauses[g.key()]; p != nil && time.Now().Before(p.until) {
		return p.why
	}
	if why := r.closeFirst(ctx, g, lines); why != "" {
		return r.failed(g, why)
	}
	next, err := r.nextLines(g)
	if err != nil {
		return err.Error()
	}
	done, err := r.swap(ctx, g, lines, next)
	switch {
	case err != nil:
		return err.Error()
	case !done && len(g.controllers) > 0:
		return r.failed(g, callInTheWay) // its contacts were closed for nothing
	case !done:
		return callInTheWay
	}
	for _, l := range next {
		if l.is == nil {
			l.line.line.Start(l.line.SIP())
		}
	}
	for _, l := range lines {
		if g.change[l.name] == removed {
			l.end("a reload has removed the line")
			l.line.Stop()
		}
	}
	return r.replaceControllers(g, next)
}

// pause is the pause of a group after its controllers have failed it. The pauses double, from reloads.closeFor to
// longestPause.
type pause struct {
	why   string
	wait  time.Duration
	until time.Time
}

// longestPause is the longest pause between two attempts to close the contacts of a group. Our own number.
const longestPause = 10 * time.Second

// key identifies a group by its controllers.
func (g *group) key() string { return strings.Join(slices.Sorted(slices.Values(g.controllers)), " ") }

// failed makes the next attempt wait, so that the attempts do not crowd a slow bus. It returns why.
func (r *reloads) failed(g *group, why string) string {
	p := r.pauses[g.key()]
	if p == nil {
		p = &pause{wait: r.closeFor / 2}
		r.pauses[g.key()] = p
	}
	p.why, p.wait = why, min(2*p.wait, longestPause)
	p.until = time.Now().Add(p.wait)
	return why
}

// closeFirst closes every contact of the controllers that are to be replaced, through the controllers that have them
// now. It does nothing unless they are connected: a close that fails raises an alarm, and these lines are idle.
func (r *reloads) closeFirst(ctx context.Context, g *group, lines []*Line) (why string) {
	var closed []*Line
	for _, l := range lines {
		name := l.Config().Contact.Controller
		if r.controllers[name] == nil || !slices.Contains(g.controllers, name) {
			continue
		}
		at, cancel := context.WithTimeout(ctx, r.closeFor)
		defer cancel()
		if err := r.d.contacts.Ready(at, name); err != nil {
			return fmt.Sprintf("%s waits for its controller: %v; make it answer, or restart the daemon", l.name, err)
		}
		closed = append(closed, l)
	}
	ctx, cancel := context.WithTimeout(ctx, r.closeFor*time.Duration(len(closed)))
	defer cancel()
	errs := make([]error, len(closed))
	var all sync.WaitGroup
	for i, l := range closed {
		all.Go(func() { errs[i] = l.Contact().Close(ctx) })
	}
	all.Wait()
	for i, err := range errs {
		if err != nil {
			return fmt.Sprintf("the contact of %s is not known closed: %s; make its controller answer, or restart the daemon",
				closed[i].name, closeError(err))
		}
	}
	return ""
}

// closeError returns the text of an error of a close without the context's own words.
func closeError(err error) string {
	if errors.Is(err, context.DeadlineExceeded) {
		return "no confirmation in time"
	}
	return err.Error()
}

// nextLine is a line of a group as it will be.
type nextLine struct {
	is   *config.Line // nil: it is added
	will *config.Line
	line *Line
	sip  *sipua.LineOptions // nil: the user agent's line stays
}

// nextLines returns the lines of the group that remain or are added, without changing anything.
func (r *reloads) nextLines(g *group) (all []nextLine, err error) {
	for i := range g.c.Lines {
		will := &g.c.Lines[i]
		if !slices.Contains(g.lines, will.Name) {
			continue
		}
		n := nextLine{will: will, line: r.d.Line(will.Name)}
		var o sipua.LineOptions
		switch {
		case n.line == nil:
			n.line, o, err = r.d.makeLine(g.c, will, contactFor(will))
			n.sip = &o
		case !reflect.DeepEqual(sipPart(n.line.Config()), sipPart(will)),
			n.line.Config().Contact.Place() != will.Contact.Place(): // it is saved with each call, as its owner
			n.is = n.line.Config()
			o, err = n.line.sipOptions(g.c, will)
			n.sip = &o
		default:
			n.is = n.line.Config()
		}
		if err != nil {
			return nil, err
		}
		all = append(all, n)
	}
	return all, nil
}

// contactFor returns the contact of a line until its controller is started.
func contactFor(l *config.Line) relay.Contact {
	if l.Contact.Driver == config.DriverNone {
		return relay.NoContact{}
	}
	return unopenedContact{fmt.Errorf("%w: controller %s is not started", relay.ErrUnreachable, l.Contact.Controller)}
}

// sipPart returns a copy of a line's configuration without what the user agent does not need.
func sipPart(l *config.Line) *config.Line {
	c := *l
	c.Contact, c.Equipment, c.Location, c.AcceptCuttingIntoDialling = config.Contact{}, config.Equipment{}, "", false
	c.Verify = config.Verify{OffHookNumber: l.Verify.OffHookNumber}
	c.Policy = supervision.Policy{LifeSafety: l.Policy.LifeSafety}
	return &c
}

// swap exchanges the lines of a group at a moment at which none of them has a call or admits one.
func (r *reloads) swap(ctx context.Context, g *group, lines []*Line, next []nextLine) (done bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, admissionWait)
	defer cancel()
	var set []sipua.LineOptions
	for _, n := range next {
		if n.sip != nil {
			set = append(set, *n.sip)
		}
	}
	var remove []string
	for name, change := range g.change {
		if change == removed {
			remove = append(remove, name)
		}
	}
	return r.d.agent.Change(ctx, set, remove, func(ports []*sipua.Line) bool {
		for _, l := range lines {
			if !l.line.Idle() {
				return false
			}
		}
		for _, n := range next {
			n.line.setParts(func(p *parts) { p.c = n.will })
		}
		for _, port := range ports {
			for _, n := range next {
				if n.will.Name == port.Name() {
					n.line.setParts(func(p *parts) { p.port = port })
					if n.is != nil {
						n.line.line.SetCalls(port)
					}
				}
			}
		}
		for _, n := range next {
			if n.is != nil {
				n.line.changePolicy(n.is, n.will)
			}
		}
		r.publish(g, next)
		return true
	})
}

// publish replaces the daemon's list of lines, in the order of the file. Removed lines that wait come last.
func (r *reloads) publish(g *group, next []nextLine) {
	all := slices.DeleteFunc(slices.Clone(r.d.all()), func(l *Line) bool { return g.change[l.name] == removed })
	for _, n := range next {
		if n.is == nil {
			all = append(all, n.line)
		}
	}
	place := func(l *Line) int {
		if i := lineIndex(g.c, l.name); i >= 0 {
			return i
		}
		return len(g.c.Lines)
	}
	slices.SortStableFunc(all, func(a, b *Line) int { return place(a) - place(b) })
	r.d.lines.Store(&all)
}

// replaceControllers ends the group's controllers and starts them anew, with the contacts that they have now. It
// returns why a controller could not be started; the lines are served without it, and the start is tried again.
func (r *reloads) replaceControllers(g *group, next []nextLine) (why string) {
	before := map[string]*config.Controller{}
	for _, name := range g.controllers {
		if r.controllers[name] != nil {
			before[name] = r.controllers[name]
			delete(r.controllers, name)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(),
		min(r.closeFor*time.Duration(max(1, len(g.lines))), CloseTimeout))
	defer cancel()
	notClosed := r.d.contacts.Remove(ctx, slices.Collect(maps.Keys(before))...)
	r.d.alarms.replaced(before)
	part := *g.c
	part.Controllers, part.Lines = nil, nil
	for i := range g.c.Controllers {
		if slices.Contains(g.controllers, g.c.Controllers[i].Name) {
			part.Controllers = append(part.Controllers, g.c.Controllers[i])
		}
	}
	for i := range g.c.Lines {
		if slices.Contains(g.controllers, g.c.Lines[i].Contact.Controller) {
			part.Lines = append(part.Lines, g.c.Lines[i])
		}
	}
	err := r.d.contacts.Add(&part, r.d.driverOptions())
	if err == nil {
		for i := range part.Controllers {
			r.controllers[part.Controllers[i].Name] = &part.Controllers[i]
		}
	} else {
		why = r.failed(g, fmt.Sprintf("a controller cannot be started: %v", err))
	}
	r.leave(notClosed, before, next)
	for _, n := range next {
		contact := contactFor(n.will)
		switch name := n.will.Contact.Controller; {
		case n.will.Contact.Driver == config.DriverNone:
		case slices.Contains(g.controllers, name) && err != nil:
			contact = unopenedContact{fmt.Errorf("%w: %w", relay.ErrUnreachable, err)}
		default:
			contact = r.d.contacts.Contact(n.will.Name)
		}
		n.line.changeContact(contact)
	}
	return why
}
