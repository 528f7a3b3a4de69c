package sipua

import (
	"slices"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// maxForks bounds the early dialogs of one call, so that no service fills the memory. Our own number: hunting groups
// fork to a dozen; a 200 of one more is taken all the same.
const maxForks = 32

// dialog is one dialog of a leg (RFC 3261 section 12), owned by the call's mailbox.
//
// An INVITE of ours may be answered by several (forks), each with a tag of its own and with numbers, target and routes
// of its own. Each stands in a pair: other is the dialog towards who called, which has a tag of ours for this fork
// alone, so that what the caller sends in it finds this fork, and no fork's answer contradicts another's.
type dialog struct {
	tag            string // ours
	local          *sip.FromHeader
	remote         *sip.ToHeader
	target         sip.Uri
	routes         []sip.Uri
	seq, remoteSeq uint32
	remoteSeqSet   bool // remoteSeq is set

	other       *dialog
	offerAnswer *offerAnswer // of both of the pair
	// over: an early dialog that ended before its call
	over bool
	// updating: an UPDATE of the peer has no answer yet
	updating bool
	// provisionals are our reliable provisional responses in it, nil if there are none
	provisionals *reliableProvisionals
	// lastDescription is the last message of this fork with a session description
	lastDescription sip.Message
}

// pair makes two dialogs each other's other.
func pair(d, other *dialog) {
	d.other, other.other = other, d
	d.offerAnswer = &offerAnswer{}
	other.offerAnswer = d.offerAnswer
}

// matches reports whether a request with these tags is in the dialog. A peer without a tag is one of RFC 2543.
func (d *dialog) matches(own, remote string) bool {
	return d.tag == own && d.remote != nil && d.remote.Params.GetOr("tag", "") == remote
}

// confirm takes target and routes from a response that makes the dialog, or makes it anew.
func (d *dialog) confirm(res *sip.Response) {
	d.remote = sip.HeaderClone(res.To()).(*sip.ToHeader)
	d.retarget(res.Contact())
	d.routes = reversed(routeSet(res))
}

// retarget follows the Contact of a target refresh.
func (d *dialog) retarget(contact *sip.ContactHeader) {
	if contact != nil && !contact.Address.Wildcard {
		d.target = contact.Address
	}
}

// find is the dialog that a request is in, nil if it is in none of this leg.
func (l *leg) find(r *endpoint.Request) *dialog {
	own, remote := r.To().Params.GetOr("tag", ""), r.Request.From().Params.GetOr("tag", "")
	for _, d := range l.early {
		if d.matches(own, remote) {
			return d
		}
	}
	switch {
	case l.dialog.matches(own, remote):
		return l.dialog
	case l.state == legCalling && l.out != nil && r.Method != sip.BYE: // of a fork whose first response is on its way, or lost
		remote := r.Request.From().AsTo()
		if d := l.out.fork(&remote, false); d != nil {
			d.retarget(r.Contact())
			return d
		}
	}
	return nil
}

// dialogOf is the dialog that a request of ours is in.
func (l *leg) dialogOf(r *sip.Request) *dialog {
	for _, d := range l.early {
		if d.matches(r.From().Params.GetOr("tag", ""), r.To().Params.GetOr("tag", "")) {
			return d
		}
	}
	return l.dialog
}

// live are the early dialogs that have not ended.
func (l *leg) live() int {
	n := 0
	for _, d := range l.early {
		if !d.over {
			n++
		}
	}
	return n
}

// early is the dialog of a response to the INVITE; nil if it has none, or if there are too many.
func (x *inviteForwarding) early(res *sip.Response) *dialog {
	if !x.initial {
		return x.to.dialog
	}
	if res.IsProvisional() && res.To().Params.GetOr("tag", "") == "" {
		return nil
	}
	d := x.fork(res.To(), res.IsSuccess())
	if d != nil {
		d.confirm(res)
		if x.to.side == media.ServiceSide && d.target.Host != "" {
			x.to.dest = x.to.account.Proxy // the registrar's address was for the first INVITE only
			if x.to.dest != "" && x.at != "" {
				x.to.dest = x.at
			}
		}
	}
	return d
}

// fork is the early dialog with who has this tag. The first one has the leg's own tag towards the caller, so that
// adapters that know of no forks see what they know.
func (x *inviteForwarding) fork(remote *sip.ToHeader, answered bool) *dialog {
	tag := remote.Params.GetOr("tag", "")
	for _, d := range x.to.early {
		if d.remote.Params.GetOr("tag", "") == tag {
			return d
		}
	}
	if len(x.from.early) >= maxForks && !answered {
		return nil
	}
	theirs := *x.to.dialog
	theirs.remote = sip.HeaderClone(remote).(*sip.ToHeader)
	ours := x.from.dialog
	if len(x.from.early) > 0 {
		one := *ours
		one.tag, one.seq, one.remoteSeq, one.provisionals, one.over, one.updating = token(), 1, x.seq, nil, false, false
		one.local = sip.HeaderClone(ours.local).(*sip.FromHeader)
		one.local.Params.Add("tag", one.tag)
		ours = &one
		x.from.c.a.addDialog(x.from, ours)
	}
	pair(&theirs, ours)
	if x.offered {
		theirs.offerAnswer.pending, theirs.offerAnswer.begun = x.from, true
	}
	x.to.early, x.from.early = append(x.to.early, &theirs), append(x.from.early, ours)
	return &theirs
}

// forksOf are the early dialogs of a leg, by To tag.
func forksOf(l *leg) map[string]*dialog {
	forks := map[string]*dialog{}
	for _, one := range l.early {
		forks[one.remote.Params.GetOr("tag", "")] = one
	}
	return forks
}

// chooseFork makes the fork that was answered the call's dialog on both legs. The other early dialogs are over.
func (x *inviteForwarding) chooseFork(d *dialog) {
	for _, one := range x.from.early {
		if one != d.other {
			one.provisionals.stop()
		}
	}
	x.forks = forksOf(x.to)
	x.to.dialog, x.from.dialog = d, d.other
	x.to.early, x.from.early = nil, nil
	x.to.over, x.from.over = false, false
}

// endEarlyDialog ends an early dialog on both sides: who was called said so (RFC 6228), or who called.
func (x *inviteForwarding) endEarlyDialog(d *dialog) {
	d.over, d.other.over = true, true
	d.other.provisionals.stop()
	if x.lastDescribed != d {
		return
	}
	for _, one := range slices.Backward(x.to.early) {
		if !one.over && one.lastDescription != nil {
			x.showDescription(one, one.lastDescription)
			return
		}
	}
}

// handleEarlyTerminated is a 199: a fork is gone, others may go on (RFC 6228). It passes to callers that know it.
func (x *inviteForwarding) handleEarlyTerminated(d *dialog, res *sip.Response, n uint32) {
	if d == nil || !x.initial {
		return
	}
	if n != 0 {
		x.acknowledgeEarly(d, n)
	}
	if !x.finalSent && hasOption(x.r.Request, "Supported", early199) {
		x.sendProvisional(d, res, nil, 0)
	}
	x.endEarlyDialog(d)
}

// showAnswer is show for the 200. If its fork gave its answer before and another fork's was shown since, the former
// counts again.
func (x *inviteForwarding) showAnswer(res *sip.Response) ([]byte, error) {
	d := x.to.dialog
	if !hasBody(res) && x.lastDescribed != nil && x.lastDescribed != d && d.lastDescription != nil {
		if _, err := x.showDescription(d, d.lastDescription); err != nil {
			return nil, err
		}
	}
	return x.showDescription(d, res)
}

// showDescription lets the media follow the session description of a fork and returns what the other side is to see:
// what was shown last counts until one is answered.
func (x *inviteForwarding) showDescription(d *dialog, m sip.Message) ([]byte, error) {
	body, err := x.to.c.path.translate(m, x.to.side)
	if d != nil && err == nil && hasBody(m) {
		d.lastDescription, x.lastDescribed = m, d
	}
	return body, err
}
