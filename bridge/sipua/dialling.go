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

// class says what a destination has to do with emergency numbers.
type class uint8

const (
	ordinary   class = iota
	resembling       // it may be read as an emergency number: an ordinary call for which the loop stays closed
	unlisted         // an emergency number behind a digit that may be a missing prefix: an emergency call where the line may not dial it
	surely           // an emergency call
)

// mayDial says why the line's near end may not call a destination, however it asks for that (INVITE, REFER, a 3xx that is followed); "" if
// it may. A destination that is surely an emergency number always passes.
func (l *Line) mayDial(u sip.Uri) dialplan.Refused {
	if c, _ := l.a.class(u); l.o.Dial == nil || c == surely {
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

// class judges a destination. For one that is surely an emergency number, or unlisted, it also returns what is to be sent on in an emergency
// call: digits or a sos URN, and nothing else of the Request-URI.
func (a *Agent) class(u sip.Uri) (class, sip.Uri) {
	if a.numbers == nil {
		return ordinary, sip.Uri{}
	}
	text := u.String()
	if dial, ok := a.numbers.Dial(text); ok {
		return surely, emergencyUri(dial)
	}
	if dial, ok := a.numbers.DialUnlisted(text); ok {
		return unlisted, emergencyUri(dial)
	}
	for _, l := range a.lines { // codes and prefixes are the country's, the same for all
		if l.o.Dial != nil {
			if slices.ContainsFunc(l.o.Dial.Readings(dialled(u)), a.numbers.Emergency) {
				return resembling, sip.Uri{}
			}
			break
		}
	}
	return ordinary, sip.Uri{}
}

func emergencyUri(dial string) sip.Uri {
	var u sip.Uri
	if strings.HasPrefix(dial, "urn:") && sip.ParseUri(dial, &u) == nil {
		return u
	}
	return sip.Uri{Scheme: "sip", User: dial}
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
