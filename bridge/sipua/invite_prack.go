package sipua

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// This file handles reliable provisional responses (RFC 3262) end to end: we send each with an RSeq of our own, and
// pass the caller's PRACK to the called side. If the caller does not support them, we send the PRACK ourselves.

// reliable100 and early199 are the option tags of RFC 3262 and RFC 6228.
const (
	reliable100 = "100rel"
	early199    = "199"
)

// statusEarlyTerminated ends one early dialog (RFC 6228).
const statusEarlyTerminated = 199

// hasOption reports whether a header field lists an option tag.
func hasOption(m sip.Message, field, option string) bool {
	for _, h := range m.GetHeaders(field) {
		for _, v := range strings.Split(h.Value(), ",") {
			if strings.EqualFold(strings.TrimSpace(v), option) {
				return true
			}
		}
	}
	return false
}

// readCallerOptions notes which of these extensions the caller supports.
func (x *inviteForwarding) readCallerOptions() {
	m := x.r.Request
	x.required = hasOption(m, "Require", reliable100)
	x.reliable = x.required || hasOption(m, "Supported", reliable100) && !x.from.c.emergency
}

// offerOptions lets the called side use the extensions that the caller supports. In an emergency call nothing must wait
// for a PRACK.
func (x *inviteForwarding) offerOptions() {
	switch {
	case x.from.c.emergency:
	// never required: unreliable responses are made reliable here, and an adapter without support still rings
	case x.reliable:
		x.req.AppendHeader(sip.NewHeader("Supported", reliable100))
	}
	if x.initial && hasOption(x.r.Request, "Supported", early199) {
		x.req.AppendHeader(sip.NewHeader("Supported", early199))
	}
}

// rseq is the RSeq of a reliable provisional response, 0 if it is not reliable.
func rseq(res *sip.Response) uint32 {
	if !hasOption(res, "Require", reliable100) {
		return 0
	}
	n, err := strconv.ParseUint(strings.TrimSpace(first(res, "RSeq")), 10, 32)
	if err != nil {
		return 0
	}
	return uint32(n)
}

// inOrder reports whether a reliable response is the next one of its dialog. Others are retransmissions, or came too
// early and will be retransmitted (RFC 3262 section 4).
func (x *inviteForwarding) inOrder(d *dialog, n uint32) bool {
	if last, heard := x.rseqs[d]; heard && n != last+1 {
		return false
	}
	if x.rseqs == nil {
		x.rseqs = map[*dialog]uint32{}
	}
	x.rseqs[d] = n
	return true
}

// acknowledgeEarly sends the PRACK of a reliable response that the caller will not acknowledge.
func (x *inviteForwarding) acknowledgeEarly(d *dialog, n uint32) {
	x.to.send(x.to.prack(d, n, x.req.CSeq().SeqNo), func(_ *sip.Response, err error) {
		if err != nil {
			x.to.c.line.log.Debug("no answer to PRACK", zap.Error(err))
		}
	})
}

// prack builds the PRACK of the reliable response n to the INVITE with the CSeq number cseq.
func (l *leg) prack(d *dialog, n, cseq uint32) *sip.Request {
	req := l.buildIn(d, sip.PRACK)
	req.AppendHeader(sip.NewHeader("RAck", strconv.FormatUint(uint64(n), 10)+" "+strconv.FormatUint(uint64(cseq),
		10)+" INVITE"))
	return req
}

// reliableProvisionals are the provisional responses of one early dialog towards the caller. Reliable ones are sent one
// at a time, each after the PRACK of the one before. Owned by the call's mailbox.
type reliableProvisionals struct {
	// set once
	x *inviteForwarding
	d *dialog // towards the caller

	last           uint32               // the last RSeq used; 0: none
	unacknowledged *provisionalResponse // waits for its PRACK
	waiting        []*provisionalResponse
	// afterPrack sends the 200, which waits for the PRACK of an answer (RFC 3262 section 3)
	afterPrack func()
	// ended: nothing more is retransmitted, but a PRACK is still accepted
	ended bool
}

// provisionalResponse is one provisional response.
type provisionalResponse struct {
	res          *sip.Response
	described    bool   // it has a session description
	reliable     bool   // we send it reliably
	theirs, cseq uint32 // the RSeq and CSeq for our PRACK to the called side; theirs 0: none is due
	since        time.Time
	every        time.Duration
}

// sendProvisional passes a provisional response on. n is its RSeq, or 0 if it is not reliable.
func (x *inviteForwarding) sendProvisional(d *dialog, res *sip.Response, body []byte, n uint32) {
	out := x.buildResponse(res, body)
	if d == nil {
		x.transmit(out)
		return
	}
	setToTag(out, d.other)
	reliable := x.reliable && n != 0 || x.required
	if n != 0 && (!reliable || x.from.c.emergency) {
		x.acknowledgeEarly(d, n)
		n = 0
	}
	t := d.other.provisionals
	if t == nil || t.x != x {
		t = &reliableProvisionals{x: x, d: d.other}
		d.other.provisionals = t
	}
	t.waiting = append(t.waiting, &provisionalResponse{res: out, described: hasBody(out), reliable: reliable, theirs: n,
		cseq: x.req.CSeq().SeqNo})
	t.next()
}

// setToTag adds our tag of this dialog.
func setToTag(res *sip.Response, d *dialog) { res.To().Params.Add("tag", d.tag) }

// next sends the waiting responses until one of them needs a PRACK.
func (t *reliableProvisionals) next() {
	for t.unacknowledged == nil && len(t.waiting) > 0 && !t.ended {
		one := t.waiting[0]
		t.waiting = slices.Delete(t.waiting, 0, 1)
		if one.reliable {
			t.begin(one)
		}
		t.x.transmit(one.res)
	}
	if t.unacknowledged == nil && t.afterPrack != nil {
		t.afterPrack() // the 200 stops these responses
	}
}

// begin makes a response reliable.
func (t *reliableProvisionals) begin(one *provisionalResponse) {
	if t.last == 0 {
		// incremented below, so 1 to 2^31 - 1 (RFC 3262 section 3)
		t.last = rand.Uint32N(math.MaxInt32)
	}
	t.last++
	one.res.AppendHeader(sip.NewHeader("Require", reliable100))
	one.res.AppendHeader(sip.NewHeader("RSeq", strconv.FormatUint(uint64(t.last), 10)))
	t.unacknowledged = one
	c := t.x.from.c
	one.since, one.every = time.Now(), c.a.times.t1
	c.after(one.every, func() { t.repeat(one) })
	if !one.described {
		return
	}
	switch deal := t.d.offerAnswer; {
	case !deal.begun: // the offer, since the INVITE had none
		deal.pending, deal.begun = t.x.to, true
	default:
		deal.answered(t.x.from)
	}
}

// repeat retransmits a response until its PRACK, first after T1 and then at doubling intervals, for 64*T1.
func (t *reliableProvisionals) repeat(one *provisionalResponse) {
	if t.unacknowledged != one || t.ended {
		return
	}
	c := t.x.from.c
	if time.Since(one.since) >= c.a.times.final {
		t.x.unacknowledgedEarly()
		t.unacknowledged = nil // only an emergency call continues after this
		t.next()
		return
	}
	one.every *= 2
	c.after(min(one.every, c.a.times.final-time.Since(one.since)), func() { t.repeat(one) })
	t.x.transmit(one.res)
}

// unacknowledgedEarly handles a missing PRACK after 64*T1. The caller counts as gone, except in an emergency call.
func (x *inviteForwarding) unacknowledgedEarly() {
	c := x.from.c
	c.line.log.Warn("no PRACK", zap.Uint64("call", uint64(c.id)), zap.Stringer("side", sideName(x.from.side)))
	switch {
	case c.emergency:
	case !x.initial:
		x.cancel()
		x.refuse(sip.StatusInternalServerError)
	default:
		c.peerSilent(x.from.side)
		x.refuse(sip.StatusInternalServerError)
		x.from.finish(supervision.AnswerConfirmed)
	}
}

// stop ends the retransmissions. It may be called on nil.
func (t *reliableProvisionals) stop() {
	if t == nil {
		return
	}
	t.ended, t.waiting, t.afterPrack = true, nil, nil
}

// whenAcknowledged runs f, which passes the 200 on, once the caller has acknowledged every reliable response that had a
// session description.
func (x *inviteForwarding) whenAcknowledged(d *dialog, f func()) {
	t := d.other.provisionals
	described := func(one *provisionalResponse) bool { return one.described && one.reliable }
	if t == nil || t.x != x || t.ended || x.from.c.emergency ||
		!(t.unacknowledged != nil && described(t.unacknowledged) || slices.ContainsFunc(t.waiting, described)) {
		f()
		return
	}
	t.afterPrack = f
}

// stopProvisionals ends the retransmissions in every early dialog of this INVITE.
func (x *inviteForwarding) stopProvisionals() {
	for _, d := range append([]*dialog{x.from.dialog}, x.from.early...) {
		if d.provisionals != nil && d.provisionals.x == x {
			d.provisionals.stop()
		}
	}
}

// handlePrack handles a PRACK of the caller.
func (l *leg) handlePrack(r *endpoint.Request, d *dialog) {
	t := d.provisionals
	if t == nil || t.unacknowledged == nil || !t.matches(r) {
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
		return
	}
	one := t.unacknowledged
	t.unacknowledged = nil
	switch {
	case one.theirs != 0:
		l.passPrack(r, d, one)
	case hasBody(r.Request): // an offer that the called side does not expect
		l.reply(r, sip.StatusNotAcceptableHere, "Not Acceptable Here")
	default:
		l.reply(r, sip.StatusOK, "OK")
	}
	t.next()
}

// matches reports whether a PRACK names the response that waits for it.
func (t *reliableProvisionals) matches(r *endpoint.Request) bool {
	f := strings.Fields(first(r.Request, "RAck"))
	if len(f) != 3 || f[2] != "INVITE" {
		return false
	}
	n, err := strconv.ParseUint(f[0], 10, 32)
	seq, err2 := strconv.ParseUint(f[1], 10, 32)
	return err == nil && err2 == nil && uint32(n) == t.last && uint32(seq) == t.x.seq
}

// passPrack passes a PRACK on, with the answer to an offer in the response, or with an offer.
func (l *leg) passPrack(r *endpoint.Request, d *dialog, one *provisionalResponse) {
	p := l.peer()
	body, err := l.c.path.translate(r.Request, l.side)
	if err != nil { // the PRACK passes without the body: the response was acknowledged even so
		code, reason, headers := bodyRefusal(err)
		l.reply(r, code, reason, headers...)
	}
	replied := err != nil
	req := p.prack(d.other, one.theirs, one.cseq)
	setBody(req, r.Request, body)
	offer := len(body) > 0 && d.offerAnswer.pending != p
	switch {
	case offer:
		d.offerAnswer.pending = l
	case len(body) > 0:
		d.offerAnswer.pending = nil
	}
	unanswered := func() bool { return false }
	if !replied {
		unanswered = l.answerInTime(r)
	}
	p.send(req, func(res *sip.Response, err error) {
		passes := unanswered()
		if offer {
			d.offerAnswer.answered(l)
			if !passes || err != nil || !res.IsSuccess() {
				l.c.path.rejectOffer(l.side)
			}
		}
		if passes {
			l.passOutcome(r, d, res, err)
		}
	})
}
