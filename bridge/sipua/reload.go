package sipua

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"

	"go.uber.org/zap"
)

// This file adds, replaces and removes lines while the agent runs. Sockets are neither opened nor closed.

// ErrNoSocket means that a line needs a socket that is not open.
var ErrNoSocket = errors.New("no such socket is open")

// directory holds the lines at one moment. It is replaced as a whole and never modified.
type directory struct {
	lines  []*Line
	byName map[string]*Line
}

func newDirectory(lines []*Line) (*directory, error) {
	d := &directory{lines: lines, byName: map[string]*Line{}}
	for _, l := range lines {
		if d.byName[l.o.Name] != nil {
			return nil, fmt.Errorf("line %s: given twice; give each line its own name", l.o.Name)
		}
		d.byName[l.o.Name] = l
	}
	return d, nil
}

func (a *Agent) all() []*Line { return a.directory.Load().lines }

// newLine returns a line without sockets.
func (a *Agent) newLine(o LineOptions) (*Line, error) {
	l := &Line{a: a, o: o, log: a.log.With(zap.String("line", o.Name)), testToken: token()}
	l.accounts, l.messageState.l = newAccounts(l), l
	if until := l.o.CallbackUntil; !until.IsZero() {
		l.callbackUntil.Store(int64(until.Sub(a.epoch)))
	}
	for _, at := range l.accounts {
		if !at.Register && at.from == nil {
			return nil, fmt.Errorf("line %s: it does not register at %s, and neither registrar nor proxy is an address; "+
				"list the addresses that its calls come from", l.o.Name, at.Registrar.Host)
		}
	}
	if l.o.Relay && a.media == nil {
		return nil, fmt.Errorf("line %s: %w", l.o.Name, ErrNoRelay)
	}
	l.registering, l.stopClients = context.WithCancel(a.registering)
	return l, nil
}

// ErrNoRelay means that a line relays media, but the agent was started without a media relay.
var ErrNoRelay = errors.New("it relays media, but there is no media relay")

// beginAccounts creates the line's registration clients. Nothing is sent before register.
func (l *Line) beginAccounts() {
	for _, s := range l.accounts {
		s.begin()
	}
}

// register starts the line's registrations and subscriptions at the services.
func (l *Line) register() {
	run := func(f func(context.Context)) {
		l.clients.Add(1)
		l.a.clients.Go(func() {
			defer l.clients.Done()
			f(l.registering)
		})
	}
	for _, s := range l.accounts {
		if c := s.client; c != nil {
			if !c.started.Swap(true) {
				l.a.clients.Go(func() { defer close(c.ended); c.Run(c.ctx) })
			}
			run(s.keepAlive)
			run(s.subscribeToRegistration)
		}
	}
	if l.o.MessageWaiting == MessagesSubscribe {
		u := &subscriber{s: l.accounts[0], line: l, p: l.messageEvents()}
		run(u.run)
	}
}

// restoreUserAgent passes on the User-Agent of a binding that was made before the line.
func (l *Line) restoreUserAgent() {
	if b, bound := l.a.registrar.Binding(l.o.Name); bound && b.UserAgent != "" {
		l.userAgentSeen(byRegistration, b.UserAgent)
	}
}

// current returns the line that now has this line's name, or nil if there is none. An ordinary call does not get a line
// with other sockets.
func (l *Line) current(emergency bool) *Line {
	now := l.a.Line(l.o.Name)
	if now == nil || !emergency && (now.adapter != l.adapter || now.service != l.service) {
		return nil
	}
	return now
}

// current returns the account that now takes this account's place, or nil if there is none.
func (s *account) current(emergency bool) *account {
	l := s.line.current(emergency)
	if l == nil {
		return nil
	}
	for _, at := range l.accounts {
		if at.second == s.second {
			return at
		}
	}
	return nil
}

// Check reports why the agent could not serve exactly these lines. It changes nothing. The error wraps [ErrNoSocket] or
// [ErrNoRelay] if a restart would help.
func (a *Agent) Check(all []LineOptions) error {
	var lines []*Line
	for _, o := range all {
		l, err := a.newLine(o)
		if err != nil {
			return err
		}
		l.stopClients()
		lines = append(lines, l)
	}
	if _, err := newDirectory(lines); err != nil {
		return err
	}
	_, err := a.serve(lines)
	return err
}

// Change adds the lines of set, or replaces those of the same names, and removes others. It does so at a moment at
// which none of their loops has a call or admits one, and at which commit returns true. commit gets the new lines and
// must be quick. Otherwise, or if ctx ends first, Change changes nothing and reports false. The other lines are not
// touched. A replaced line keeps its adapter's registration, if the adapter's user, password and addresses still fit.
// Its registration at the service ends and is made anew if its account has changed. Change must not be called
// concurrently, nor once Unregister or Close has been called.
func (a *Agent) Change(ctx context.Context, set []LineOptions, remove []string,
	commit func(fresh []*Line) bool) (bool, error) {
	gone, fresh, err := a.replacements(set, remove)
	done := false
	defer func() {
		for _, l := range fresh {
			if !done {
				l.endClients()
			}
		}
	}()
	if err != nil {
		return false, err
	}
	if len(fresh) == 0 && len(gone) == 0 {
		a.admission.exclusive(ctx, func() { done = commit(nil) })
		return done, nil
	}
	lines := slices.DeleteFunc(slices.Clone(a.all()), func(l *Line) bool { return gone[l.o.Name] != nil })
	lines = append(lines, fresh...)
	next, err := newDirectory(lines)
	if err != nil {
		return false, err
	}
	served, err := a.serve(lines)
	if err != nil {
		return false, err
	}
	for _, l := range fresh {
		l.beginAccounts()
	}
	accounts := accountsOf(lines)
	a.admission.exclusive(ctx, func() {
		if slices.ContainsFunc(a.up(), func(c *call) bool {
			return gone[c.line.o.Name] != nil || c.isOnOneOf(fresh)
		}) || !commit(fresh) {
			return
		}
		a.directory.Store(next)
		for _, s := range a.sockets {
			s.lines.Store(served[s])
			s.ep.SetKnown(served[s].sources)
		}
		for _, l := range fresh {
			l.ownClients()
			if old := gone[l.o.Name]; old != nil {
				l.callbackUntil.Store(max(l.callbackUntil.Load(), old.callbackUntil.Load()))
			}
			a.expectCallbackUntil(l.callbackUntil.Load())
		}
		a.registrar.SetAccounts(accounts)
		done = true
	})
	if done {
		a.follow(gone, fresh)
	}
	return done, nil
}

// isOnOneOf reports whether the call is on the loop of one of the lines. Its own line may have been removed, so a line
// with the same name, adapter or contact has the same loop.
func (c *call) isOnOneOf(lines []*Line) bool {
	is := &c.line.o
	return slices.ContainsFunc(lines, func(l *Line) bool {
		return l.o.Name == is.Name || l.o.AdapterUser != "" && l.o.AdapterUser == is.AdapterUser ||
			l.hasContact(is.Contact)
	})
}

// replacements returns the lines that a change removes or replaces, and those that it adds or puts in their place.
func (a *Agent) replacements(set []LineOptions, remove []string) (gone map[string]*Line, fresh []*Line, err error) {
	gone = map[string]*Line{}
	for _, name := range remove {
		if old := a.Line(name); old != nil {
			gone[name] = old
		}
	}
	for _, o := range set {
		l, err := a.newLine(o)
		if err != nil {
			return gone, fresh, err
		}
		if old := a.Line(o.Name); old != nil {
			gone[o.Name] = old
			l.keepAccounts(old)
		}
		fresh = append(fresh, l)
	}
	return gone, fresh, nil
}

// follow ends what the old lines do beside calls, and then registers the new ones.
func (a *Agent) follow(gone map[string]*Line, fresh []*Line) {
	for _, old := range gone {
		old.retire()
	}
	for _, l := range fresh {
		l.restoreUserAgent()
		l.clients.Add(1) // whatever replaces this line waits for its predecessor too
		a.clients.Go(func() {
			defer l.clients.Done()
			if old := gone[l.o.Name]; old != nil {
				old.clients.Wait()
			}
			l.awaitOthers(gone)
			l.register()
		})
	}
}

// keepAccounts gives the line's accounts the tokens of the line that it replaces, so that calls to the Contact that the
// service still has reach the line. An account that stays the same also gets the registration client.
func (l *Line) keepAccounts(old *Line) {
	l.testToken = old.testToken
	for i, s := range l.accounts {
		if i == len(old.accounts) || !s.Register || !old.accounts[i].Register ||
			s.Registrar.String() != old.accounts[i].Registrar.String() {
			continue
		}
		s.token = old.accounts[i].token
		is, was := s.ServiceAccount, old.accounts[i].ServiceAccount
		is.Allow, was.Allow = nil, nil // these concern calls
		if l.o.ServiceSocket == old.o.ServiceSocket && reflect.DeepEqual(is, was) {
			s.client = old.accounts[i].client
		}
	}
}

// ownClients makes the line's accounts the owners of their registration clients.
func (l *Line) ownClients() {
	for _, s := range l.accounts {
		if s.client != nil {
			s.client.owner.Store(s)
		}
	}
}

// endClients ends the line's registrations, except those that another line has taken over, and its subscription.
func (l *Line) endClients() {
	l.stopClients()
	for _, s := range l.accounts {
		if s.client != nil && s.client.owner.Load() == s {
			s.client.stop()
		}
	}
}

// awaitOthers waits until the registrations of these lines for the users of this line have ended: the service may allow
// one registration of a user at a time, and an un-REGISTER that comes later would end the new one.
func (l *Line) awaitOthers(gone map[string]*Line) {
	for _, old := range gone {
		for _, was := range old.accounts {
			if was.client != nil && was.client.owner.Load() == was &&
				slices.ContainsFunc(l.accounts, func(s *account) bool {
					return s.User == was.User && s.Registrar.String() == was.Registrar.String()
				}) {
				<-was.client.ended
			}
		}
	}
}

// retire ends what a line does beside its calls.
func (l *Line) retire() {
	l.endClients()
	m := &l.messageState
	m.mu.Lock()
	defer m.mu.Unlock()
	m.drop()
	m.pending = false
	if m.stop != nil {
		m.stop()
	}
}
