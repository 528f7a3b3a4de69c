package daemon

import (
	"fmt"
	"reflect"
	"time"

	"clearback/bridge/journal"
	"clearback/bridge/relay"
	"clearback/config"
)

// setParts changes a copy of the line's parts.
func (l *Line) setParts(change func(*parts)) {
	next := *l.parts.Load()
	change(&next)
	l.parts.Store(&next)
}

// beginChange keeps tuning sessions and openings by hand away from the line until endChange. If the line is not idle,
// beginChange does nothing and returns what it waits for.
func (l *Line) beginChange() (why string) {
	v, idle := l.line.View(), l.line.Idle()
	l.mu.Lock()
	defer l.mu.Unlock()
	switch until := l.callbackUntil(v); {
	case len(v.Calls) > 0:
		return fmt.Sprintf("%s: %s", l.name, callPhrase(v.Calls[0]))
	case until != nil:
		return fmt.Sprintf("%s: the emergency centre may call back until %s", l.name,
			until.Local().Format(time.TimeOnly))
	case l.session != nil || l.beginning:
		return l.name + ": it is being tuned"
	case l.secondTest != nil:
		return l.name + ": its adapter's second server is being tested"
	case l.pulsing || !idle:
		return l.name + ": its loop is being opened or checked"
	}
	l.changing = true
	return ""
}

func (l *Line) endChange() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.changing = false
}

// changePolicy sets the policy of the file, if the file has changed it.
func (l *Line) changePolicy(is, will *config.Line) {
	if reflect.DeepEqual(is.Policy, will.Policy) && is.Verify == will.Verify {
		return
	}
	var trust journal.Trust
	if l.journal != nil {
		trust = l.journal.SavedLine(l.name).Trust
	}
	l.setting.Lock()
	defer l.setting.Unlock()
	l.mu.Lock()
	l.basis, l.interval, l.checkedAs = basis(&will.Policy), will.Policy.Interval, checkedAs(will, trust)
	l.mu.Unlock()
	l.line.SetPolicy(trusted(will, trust))
}

// changeContact gives the line its contact, if it has another one now or if the use of its input has changed.
func (l *Line) changeContact(c relay.Contact) {
	sense := l.line.Policy().SenseTrusted
	if c == l.Contact() && sense == l.sensed {
		return
	}
	l.sensed = sense
	l.line.SetContact(c, sense)
	l.setParts(func(p *parts) { p.contact = c })
	l.mu.Lock()
	l.controller, l.troubled = "", time.Time{}
	if u, is := c.(unopenedContact); is {
		l.controller, l.troubled = u.err.Error(), time.Now()
	}
	l.mu.Unlock()
}
