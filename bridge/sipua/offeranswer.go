package sipua

import (
	"math/rand/v2"
	"strconv"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// offerAnswer is the state of offer and answer (RFC 3264) in a pair of dialogs. Owned by the call's mailbox.
type offerAnswer struct {
	// pending is the leg whose offer has no answer yet; nil: none
	pending *leg
	// begun: the INVITE's offer was seen, in the INVITE or in a reliable response to it
	begun bool
}

// answered notes that the offer of l was answered or refused.
func (d *offerAnswer) answered(l *leg) {
	if d.pending == l {
		d.pending = nil
	}
}

// glare returns 0 if this side may make an offer now, otherwise the status code that refuses it (RFC 3311 section 5.2,
// RFC 3261 section 14.2): 500 if its own last offer is unanswered, 491 if ours is.
func (l *leg) glare(d *dialog) int {
	switch p := l.peer(); {
	case d.offerAnswer.pending == l, l.in != nil && !l.in.initial:
		return sip.StatusInternalServerError
	case l.session.reinviteUnderWay(), p.session.reinviteUnderWay(), d.offerAnswer.pending != nil, l.out != nil &&
		!l.out.initial,
		p.in != nil && !p.in.initial:
		return sip.StatusRequestPending
	}
	return 0
}

// refuseOffer refuses a request that came during another offer/answer exchange.
func (l *leg) refuseOffer(r *endpoint.Request, code int) {
	if code == sip.StatusInternalServerError {
		l.reply(r, code, "Request Pending", sip.NewHeader("Retry-After", strconv.Itoa(rand.IntN(11))))
		return
	}
	l.reply(r, code, "Request Pending")
}
