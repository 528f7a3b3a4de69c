package sipua

import (
	"slices"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// maxForks bounds the early dialogs of one call, so that no service can fill the memory. Our own number: hunting groups
// fork to a dozen. A 200 of one more fork is still accepted.
const maxForks = 32

// dialog is one dialog of a leg (RFC 3261 section 12), owned by the call's mailbox.
//
// Several user agents may answer our INVITE (forks), each with its own tag, CSeq numbers, target and routes. Each such
// dialog is one of a pair: other is the dialog towards the caller. It has a local tag for this fork alone. So the
// caller's requests in it reach this fork, and the answers of two forks never contradict each other.
type dialog struct {
	tag            string // ours
	local          *sip.FromHeader
	remote         *sip.ToHeader
	target         sip.Uri
	routes         []sip.Uri
	seq, remoteSeq uint32
	remoteSeqSet   bool // remoteSeq is set

	other       *dialog
	offerAnswer *offerAnswer // shared by the pair
	// over: an early dialog that ended before its call
	over bool
	// updating: an UPDATE of the peer has no answer yet
	updating bool
	// provisionals are our reliable provisional responses in it; nil: none
	provisionals *reliableProvisionals
	// lastDescription is the last message of this fork that had a session description
	lastDescription sip.Message
}

// pair makes two dialogs each other's other.
func pair(d, other *dialog) {
	d.other, other.other = other, d
	d.offerAnswer = &offerAnswer{}
	other.offerAnswer = d.offerAnswer
}

// matches reports whether a request with these tags is in the dialog. The tag of an RFC 2543 peer may be "".
func (d *dialog) matches(own, remote string) bool {
	return d.tag == own && d.remote != nil && d.remote.Params.GetOr("tag", "") == remote
}

// confirm takes target and routes from a response that establishes the dialog or changes it.
func (d *dialog) confirm(res *sip.Response) {
	d.remote = sip.HeaderClone(res.To()).(*sip.ToHeader)
	d.retarget(res.Contact())
	d.routes = reversed(routeSet(res))
}

// retarget takes the target from the Contact of a target refresh.
func (d *dialog) retarget(contact *sip.ContactHeader) {
	if contact != nil && !contact.Address.Wildcard {
		d.target = contact.Address
	}
}

// find returns the dialog of this leg that a request is in, or nil.
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
	// the first response of this fork is on its way, or lost
	case l.state == legCalling && l.out != nil && r.Method != sip.BYE:
		remote := r.Request.From().AsTo()
		if d := l.out.fork(&remote, false); d != nil {
			d.retarget(r.Contact())
			return d
		}
	}
	return nil
}

// dialogOf returns the dialog that one of our requests is in.
func (l *leg) dialogOf(r *sip.Request) *dialog {
	for _, d := range l.early {
		if d.matches(r.From().Params.GetOr("tag", ""), r.To().Params.GetOr("tag", "")) {
			return d
		}
	}
	return l.dialog
}

// live returns the number of early dialogs that have not ended.
func (l *leg) live() int {
	n := 0
	for _, d := range l.early {
		if !d.over {
			n++
		}
	}
	return n
}

// early returns the dialog of a response to the INVITE. It is nil if the response has no tag, or if there are too many
// forks.
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
			x.to.dest = x.to.account.Proxy // the registrar's address was only for the first INVITE
			if x.to.dest != "" && x.at != "" {
				x.to.dest = x.at
			}
		}
	}
	return d
}

// fork returns the early dialog with the peer that has this tag, and creates it if needed. The first fork uses the
// leg's own tag towards the caller, so that adapters without support for forking see a single dialog.
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

// forksOf returns the early dialogs of a leg by To tag.
func forksOf(l *leg) map[string]*dialog {
	forks := map[string]*dialog{}
	for _, one := range l.early {
		forks[one.remote.Params.GetOr("tag", "")] = one
	}
	return forks
}

// chooseFork makes the answered fork the call's dialog on both legs. The other early dialogs end.
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

// endEarlyDialog ends an early dialog on both sides, because the called side sent a 199 (RFC 6228) or the caller sent a
// BYE.
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

// handleEarlyTerminated handles a 199: one fork has ended, and others may continue (RFC 6228). It passes to callers
// that support it.
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

// showAnswer is showDescription for the 200. The 200's fork may have sent its session description earlier, and another
// fork's may have been shown since. Then the earlier one applies again.
func (x *inviteForwarding) showAnswer(res *sip.Response) ([]byte, error) {
	d := x.to.dialog
	if !hasBody(res) && x.lastDescribed != d && d.lastDescription != nil {
		if _, err := x.showDescription(d, d.lastDescription); err != nil {
			return nil, err
		}
	}
	return x.showDescription(d, res)
}

// showDescription applies a fork's session description to the media and returns the body for the other side. Until a
// fork is answered, the last description shown applies.
func (x *inviteForwarding) showDescription(d *dialog, m sip.Message) ([]byte, error) {
	body, err := x.to.c.path.translate(m, x.to.side)
	if d != nil && err == nil && hasBody(m) {
		d.lastDescription, x.lastDescribed = m, d
	}
	return body, err
}
