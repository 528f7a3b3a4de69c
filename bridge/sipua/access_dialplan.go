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

// numberClass says what a destination has to do with emergency numbers.
type numberClass uint8

const (
	ordinaryNumber     numberClass = iota
	resemblesEmergency             // it may be read as an emergency number: an ordinary call for which the loop stays closed
	unlistedPrefix                 // an emergency number behind a digit that may be a missing prefix: an emergency call where the line may not dial it
	emergencyNumber                // an emergency call
)

// mayDial says why the line's near end may not call a destination, however it asks for that (INVITE, REFER, a 3xx that
// is followed); "" if it may. A destination that is surely an emergency number always passes.
func (l *Line) mayDial(u sip.Uri) dialplan.Refusal {
	if c, _ := l.a.classify(u); l.o.Dial == nil || c == emergencyNumber {
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

// classify judges a destination. For one that is surely an emergency number, or unlisted, it also returns what is to be
// sent on in an emergency call: digits or a sos URN, and nothing else of the Request-URI.
func (a *Agent) classify(u sip.Uri) (numberClass, sip.Uri) {
	if a.numbers == nil {
		return ordinaryNumber, sip.Uri{}
	}
	text := u.String()
	if dial, ok := a.numbers.Dial(text); ok {
		return emergencyNumber, emergencyUri(dial)
	}
	if dial, ok := a.numbers.DialUnlisted(text); ok {
		return unlistedPrefix, emergencyUri(dial)
	}
	for _, l := range a.lines { // codes and prefixes are the country's, the same for all
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

// refuseForbidden refuses an ordinary call of the adapter to where the line may not dial; it reports whether it did.
// The near end is off hook all the same.
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
