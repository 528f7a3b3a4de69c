package daemon

import (
	"context"
	"reflect"
	"slices"

	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/config"
)

// This file has the contacts that a reload could not close or open.

// leave reports contacts that are not known closed although closeFirst saw them closed and nothing has opened them
// since. It remembers those that no line has any more, so that `lines` and the shutdown name them. before are the ended
// controllers.
func (r *reloads) leave(notClosed []drivers.NotClosed, before map[string]*config.Controller, next []nextLine) {
	left := slices.Clone(r.leftNow())
	for _, n := range notClosed {
		r.d.log.Error("a contact is not known closed after its controller was ended: go and look",
			zap.String("line", n.Line), zap.String("controller", n.Controller), zap.Error(n.Err))
		if !slices.ContainsFunc(next, func(x nextLine) bool { // the line has the same contact again, and closes it
			return x.will.Name == n.Line && x.is != nil && reflect.DeepEqual(x.is.Contact, x.will.Contact) &&
				reflect.DeepEqual(before[n.Controller], r.controllers[n.Controller])
		}) {
			left = append(left, n)
		}
	}
	r.left.Store(&left)
}

// unopenedContact is the contact of a line whose controller could not be started.
type unopenedContact struct{ err error }

// Interrupt implements relay.Contact.
func (c unopenedContact) Interrupt(context.Context, relay.Interruption) relay.Result {
	return relay.Result{Outcome: relay.Refused, Err: c.err}
}

// Close implements relay.Contact.
func (c unopenedContact) Close(context.Context) error { return c.err }

// Kind implements relay.Contact.
func (unopenedContact) Kind() relay.Kind { return relay.KindNone }

// unopened returns the lines whose contact could not be opened, and so was not closed either.
func (d *Daemon) unopened() (left []drivers.NotClosed) {
	for _, l := range d.all() {
		if c, is := l.Contact().(unopenedContact); is {
			left = append(left, drivers.NotClosed{Line: l.name, Controller: l.Config().Contact.Controller, Err: c.err})
		}
	}
	return left
}
