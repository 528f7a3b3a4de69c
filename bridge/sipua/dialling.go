package sipua

import (
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/dialplan"
	"clearback/supervision/story"
)

// mayDial tells why the line's near end may not call a destination, however it asks for that (INVITE, REFER, a 3xx that is followed); "" if
// it may. Emergency numbers always pass.
func (l *Line) mayDial(u sip.Uri) dialplan.Refused {
	if l.o.Dial == nil || l.a.emergency(u) {
		return ""
	}
	return l.o.Dial.Judge(dialled(u))
}

// dialled is what is passed on of a destination.
func dialled(u sip.Uri) string {
	switch strings.ToLower(u.Scheme) {
	case "sip", "sips", "":
		return "sip:" + u.User + "@"
	}
	return u.String()
}

// emergency tells whether a destination is an emergency number, behind a code too (one that withholds the caller's number, say).
func (a *Agent) emergency(u sip.Uri) bool {
	if a.numbers == nil {
		return false
	}
	if a.numbers.Emergency(u.String()) {
		return true
	}
	for _, l := range a.lines { // codes and prefixes are the country's, the same for all
		if l.o.Dial != nil {
			return slices.ContainsFunc(l.o.Dial.Readings(dialled(u)), a.numbers.Emergency)
		}
	}
	return false
}

// forbid refuses an ordinary call of the adapter to where the line may not dial; it tells whether it did. The near end is off hook all
// the same.
func (l *Line) forbid(r *endpoint.Request) bool {
	why := l.mayDial(r.Recipient)
	if why == "" {
		return false
	}
	id := supervision.CallID(l.a.lastCall.Add(1))
	l.adapter.reply(r, sip.StatusForbidden, reason(sip.StatusForbidden))
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
	l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: id, Evidence: supervision.EvidenceNotAllowed})
	l.a.note(l, id, story.Outgoing, false, story.Party{Number: numberOf(r.Recipient)})
	l.log.Warn("a call of the adapter was refused: the line may not dial this number", zap.Uint64("call", uint64(id)), zap.String("because", "it is "+string(why)))
	return true
}
