package sipua

import (
	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
)

// dialog is one dialog of a leg (RFC 3261 section 12), owned by the call's mailbox.
type dialog struct {
	tag            string // ours
	local          *sip.FromHeader
	remote         *sip.ToHeader
	target         sip.Uri
	routes         []sip.Uri
	seq, remoteSeq uint32
	heardSeq       bool // remoteSeq is set
}

// confirm takes the dialog from the 200 to our INVITE, or from an early response.
func (l *leg) confirm(res *sip.Response) {
	remote := sip.HeaderClone(res.To()).(*sip.ToHeader)
	l.remote = remote
	l.retarget(res.Contact())
	if l.side == media.ServiceSide {
		l.dest = l.account.Proxy // the registrar's address was for the first INVITE only
	}
	l.routes = reversed(routeSet(res))
}

// retarget follows the Contact of a target refresh.
func (d *dialog) retarget(contact *sip.ContactHeader) {
	if contact != nil && !contact.Address.Wildcard {
		d.target = contact.Address
	}
}
