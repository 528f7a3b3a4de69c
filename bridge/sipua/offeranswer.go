package sipua

import (
	"math/rand/v2"
	"strconv"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
)

// offerAnswer is the state of offer and answer (RFC 3264) in a pair of dialogs. Owned by the call's mailbox.
type offerAnswer struct {
	// pending is whose offer has no answer yet, nil: there is none
	pending *leg
	// begun: the INVITE's offer was seen, in it or in a reliable response to it
	begun bool
}

// answered notes that the offer of l has its answer, or was refused.
func (d *offerAnswer) answered(l *leg) {
	if d.pending == l {
		d.pending = nil
	}
}

// glare judges a new offer of this side: 0, or why it comes at the wrong time (RFC 3311 section 5.2, RFC 3261 section
// 14.2). 500 says that its own last offer is unanswered, 491 that ours is.
func (l *leg) glare(d *dialog) int {
	switch p := l.peer(); {
	case d.offerAnswer.pending == l, l.in != nil && !l.in.initial:
		return sip.StatusInternalServerError
	case l.session.inviting(), p.session.inviting(), d.offerAnswer.pending != nil, l.out != nil && !l.out.initial,
		p.in != nil && !p.in.initial:
		return sip.StatusRequestPending
	}
	return 0
}

// refuseOffer refuses a request that came at the wrong time.
func (l *leg) refuseOffer(r *endpoint.Request, code int) {
	if code == sip.StatusInternalServerError {
		l.reply(r, code, "Request Pending", sip.NewHeader("Retry-After", strconv.Itoa(rand.IntN(11))))
		return
	}
	l.reply(r, code, "Request Pending")
}
