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
	dialled := u.String()
	switch strings.ToLower(u.Scheme) {
	case "sip", "sips", "":
		dialled = "sip:" + u.User + "@" // what is passed on of it
	}
	why := l.o.Dial.Judge(dialled)
	if why == "" || l.a.numbers == nil {
		return why
	}
	if slices.ContainsFunc(l.o.Dial.Readings(dialled), l.a.numbers.Emergency) { // behind a code that withholds the number, say
		return ""
	}
	return why
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
