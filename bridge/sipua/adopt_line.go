package sipua

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"clearback/bridge/media"
	"clearback/supervision"
)

// This file finds the line of a call of an earlier process.

// lineOf returns the line of a call that was saved with that name and owner, or nil if there is none. Whoever edits the
// file between two runs may rename lines, so a line with the same owner comes first, then one with the same adapter, or
// else the same contact: the call is on that loop.
func (a *Agent) lineOf(name, owner string) *Line {
	named, lines := a.Line(name), a.all()
	if named != nil {
		lines = append([]*Line{named}, lines...)
	}
	i := slices.IndexFunc(lines, func(l *Line) bool { return l.owner() == owner })
	if i < 0 {
		i = slices.IndexFunc(lines, func(l *Line) bool {
			return l.o.AdapterUser != "" && strings.HasPrefix(owner, l.o.AdapterUser+", ")
		})
	}
	if i < 0 {
		_, rest, _ := strings.Cut(owner, ", ")
		i = slices.IndexFunc(lines, func(l *Line) bool { return l.hasContact(rest) })
	}
	if i < 0 {
		return named
	}
	return lines[i]
}

// hasContact reports whether the line has this contact. The accounts of an owner may follow it.
func (l *Line) hasContact(contact string) bool {
	return l.o.Contact != "" && strings.HasPrefix(contact+", ", l.o.Contact+", ")
}

// removedLine returns a line of its own for a saved call whose line was removed.
func (a *Agent) removedLine(s *savedCall) (*Line, error) {
	user, contact, _ := strings.Cut(s.Owner, ", ")
	// it never registers
	l, err := a.newLine(LineOptions{Name: s.Line, AdapterUser: user, Contact: contact, Register: true})
	if err != nil {
		return nil, err
	}
	l.o.Events = removed{l}
	l.stopClients()
	l.adapter = a.socketAt(s.Legs[media.AdapterSide].Socket, media.AdapterSide)
	l.service = a.socketAt(s.Legs[media.ServiceSide].Socket, media.ServiceSide)
	if l.adapter == nil || l.service == nil {
		return nil, fmt.Errorf("line %s: %w", s.Line, ErrNoSocket)
	}
	return l, nil
}

// removed receives the events of a line that was removed. Whichever side has ended the call, it clears the other.
type removed struct{ l *Line }

func (r removed) Post(ev supervision.Event) {
	switch ev.Kind {
	case supervision.FarEndCleared:
		r.l.ClearAdapterLeg(ev.Call)
		r.l.ClearFarEnd(ev.Call)
	case supervision.NearEndCleared, supervision.AdapterLost:
		r.l.ClearFarEnd(ev.Call)
	}
}

// socketAt returns the socket at that address, or another one of that side if there is none: a request in a dialog may
// come from elsewhere.
func (a *Agent) socketAt(at netip.AddrPort, side media.Side) (found *socket) {
	for _, s := range a.sockets {
		switch {
		case s.ep.Addr() == at:
			return s
		case found == nil || s.side == side:
			found = s
		}
	}
	return found
}
