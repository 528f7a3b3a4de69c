package sipua

import (
	"slices"
	"strings"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
	"clearback/supervision/dialplan"
)

// numberClass is how a destination relates to the emergency numbers.
type numberClass uint8

const (
	ordinaryNumber numberClass = iota
	// resemblesEmergency may be read as an emergency number: the call is ordinary, but the loop stays closed during it
	resemblesEmergency
	// emergencyBehindUnlistedPrefix is an emergency number behind a digit that may be a missing prefix: an emergency
	// call if the line may not dial the whole number
	emergencyBehindUnlistedPrefix
	emergencyNumber // an emergency call
)

// mayDial returns why the line's near end may not call a destination, and "" if it may. It covers every kind of request
// for a call: INVITE, REFER, a 3xx that is followed. A destination that is certainly an emergency number always passes.
func (l *Line) mayDial(u sip.Uri) dialplan.Refusal {
	if c, _ := l.a.classify(u); l.o.Dial == nil || c == emergencyNumber {
		return ""
	}
	return l.o.Dial.Judge(dialled(u))
}

// dialled returns the part of a destination that is passed on.
func dialled(u sip.Uri) string {
	switch strings.ToLower(u.Scheme) {
	case "sip", "sips", "":
		return "sip:" + u.User + "@"
	}
	return u.String()
}

// classify returns the class of a destination. For emergencyNumber and emergencyBehindUnlistedPrefix it also returns
// the Request-URI of the emergency call: the digits or a sos URN, and nothing else of the original Request-URI.
func (a *Agent) classify(u sip.Uri) (numberClass, sip.Uri) {
	if a.numbers == nil {
		return ordinaryNumber, sip.Uri{}
	}
	text := u.String()
	if dial, ok := a.numbers.DialString(text); ok {
		return emergencyNumber, emergencyUri(dial)
	}
	if dial, ok := a.numbers.UnlistedDialString(text); ok {
		return emergencyBehindUnlistedPrefix, emergencyUri(dial)
	}
	for _, l := range a.all() { // codes and prefixes are the country's, so they are the same for all lines
		if l.o.Dial != nil {
			if slices.ContainsFunc(l.o.Dial.Readings(dialled(u)), a.numbers.Emergency) {
				return resemblesEmergency, sip.Uri{}
			}
			break
		}
	}
	return ordinaryNumber, sip.Uri{}
}

func emergencyUri(dial string) sip.Uri {
	var u sip.Uri
	if strings.HasPrefix(dial, "urn:") && sip.ParseUri(dial, &u) == nil {
		return u
	}
	return sip.Uri{Scheme: "sip", User: dial}
}

// refuseForbidden refuses an ordinary call of the adapter to a number that the line may not dial, and reports whether
// it did. CallRequested is posted too, since the near end is off hook.
func (l *Line) refuseForbidden(r *endpoint.Request) bool {
	why := l.mayDial(r.Recipient)
	if why == "" {
		return false
	}
	id := supervision.CallID(l.a.lastCall.Add(1))
	l.adapter.reply(r, sip.StatusForbidden, reason(sip.StatusForbidden))
	l.o.Events.Post(supervision.Event{Kind: supervision.CallRequested, Call: id})
	l.o.Events.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: id,
		Evidence: supervision.EvidenceNotAllowed})
	l.a.reportCallInfo(l, id, callrecord.Outgoing, false, callrecord.Party{Number: numberOf(r.Recipient)})
	l.log.Warn("a call of the adapter was refused: the line may not dial this number", zap.Uint64("call", uint64(id)),
		zap.String("because", "it is "+string(why)))
	return true
}
