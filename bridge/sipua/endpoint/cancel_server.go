package endpoint

import (
	"net/netip"
	"slices"
	"time"

	"github.com/emiago/sipgo/sip"
)

// This file finds the INVITE that a CANCEL is for. RFC 3261 section 9.2 matches on the branch and the sent-by of the
// top Via. A CANCEL is sent hop by hop, by the sender of the INVITE. Call-ID, From tag and CSeq number therefore have
// to match too (section 9.1), and the CANCEL has to come from the address of the INVITE, or from another address of
// the same peer. A CANCEL that matches no INVITE leaves no state.

// cancelWait is how long a CANCEL waits for an INVITE that it overtook. Our own number: when datagrams of one sender
// are reordered on the way, they arrive within milliseconds of each other.
const cancelWait = 50 * time.Millisecond

// incoming is a new request, the key that its server transaction would have, and the destination of its responses.
type incoming struct {
	*Request
	key, dest string
}

// waitingCancels holds the CANCELs that wait for their INVITE, by the key of that INVITE.
type waitingCancels struct {
	byInvite table[string, []incoming]
	sources  count[netip.Addr]
	n        int
}

// add reports whether the CANCEL c now waits. A repeat of a CANCEL that already waits is not added again.
func (w *waitingCancels) add(invite string, c incoming) bool {
	from, waiting := c.From.Addr(), w.byInvite.get(invite)
	if slices.ContainsFunc(waiting, func(other incoming) bool {
		return other.From.Addr() == from && sameCall(other.Request.Request, c.Request.Request)
	}) {
		return true
	}
	if w.n >= maxCancels || w.sources.get(from) >= maxCancelsSource {
		return false
	}
	w.n++
	w.sources.add(from, 1)
	w.byInvite.put(invite, append(waiting, c))
	return true
}

// take removes and returns all CANCELs that wait for an INVITE.
func (w *waitingCancels) take(invite string) []incoming {
	waiting := w.byInvite.get(invite)
	w.byInvite.remove(invite)
	w.n -= len(waiting)
	for _, c := range waiting {
		w.sources.add(c.From.Addr(), -1)
	}
	return waiting
}

// remove removes a waiting CANCEL. It reports whether the CANCEL was still there.
func (w *waitingCancels) remove(invite string, c incoming) bool {
	waiting := w.byInvite.get(invite)
	i := slices.IndexFunc(waiting, func(other incoming) bool { return other.Request == c.Request })
	if i < 0 {
		return false
	}
	w.n--
	w.sources.add(c.From.Addr(), -1)
	if left := slices.Delete(waiting, i, i+1); len(left) > 0 {
		w.byInvite.put(invite, left)
	} else {
		w.byInvite.remove(invite)
	}
	return true
}

// cancel takes a new CANCEL. It runs in the goroutine that reads the socket. Everything that concerns the INVITE runs
// where the INVITE itself does: in its dialog's Serial, or in the queue of its Call-ID.
func (e *Endpoint) cancel(c incoming) {
	invite := inviteKey(c.Request.Request)
	e.t.mu.Lock()
	s := e.t.servers.get(invite)
	waits := s == nil && e.t.waitingCancels.add(invite, c)
	e.t.mu.Unlock()
	switch {
	case waits:
		e.after(cancelWait, func() { e.refuseCancel(invite, c) })
	case s == nil:
		e.n.cancels.Add(1)
		e.cancelsNothing(c)
	case !e.cancels(c, s):
		e.cancelsNothing(c)
	default:
		e.beginCancel(c, s)
	}
}

// inviteKey returns the key of the INVITE that a CANCEL is for.
func inviteKey(cancel *sip.Request) string {
	cseq := cancel.CSeq()
	cseq.MethodName = sip.INVITE
	defer func() { cseq.MethodName = sip.CANCEL }()
	return serverKey(cancel)
}

// cancels reports whether a CANCEL is for the INVITE of s, and comes from an address that may cancel it. Branch and
// sent-by are already known to match.
func (e *Endpoint) cancels(c incoming, s *server) bool {
	if !sameCall(c.Request.Request, s.r.Request) {
		return false
	}
	own, at := s.r.From.Addr(), c.From.Addr()
	return own == at || e.o.SameSide != nil && e.o.SameSide(own, at)
}

// sameCall reports whether two requests have the same Call-ID, From tag and CSeq number.
func sameCall(a, b *sip.Request) bool {
	return callID(a) == callID(b) && a.CSeq().SeqNo == b.CSeq().SeqNo &&
		a.From().Params.GetOr("tag", "") == b.From().Params.GetOr("tag", "")
}

// endCancelled cancels an INVITE whose CANCEL arrived first.
func (e *Endpoint) endCancelled(s *server, waiting []incoming) {
	found := false
	for _, c := range waiting {
		if !found && e.cancels(c, s) {
			found = true
			e.beginCancel(c, s)
			continue
		}
		e.cancelsNothing(c)
	}
}

// beginCancel begins the transaction of a CANCEL that is for an INVITE. It needs no check for room: a second CANCEL for
// the same INVITE would be a repeat, so there is at most one for each INVITE.
func (e *Endpoint) beginCancel(c incoming, s *server) {
	conn := e.connection(c.Transport(), c.Source())
	if conn == nil || e.start(c, conn, reservation{kind: ofInvite}) {
		e.queues.post(s.r.dialog.Serial, callID(c), func() { e.cancelled(c.Request, s) })
	}
}

// cancelled answers a CANCEL that matched. It informs the handler once, unless the INVITE already has its final
// response.
func (e *Endpoint) cancelled(cancel *Request, s *server) {
	if cancel.server != nil {
		cancel.server.tag = s.toTag()
		cancel.answer(sip.StatusOK, "OK")
	}
	if s.cancel() {
		s.r.Cancel = cancel
		e.handler.Cancelled(s.r)
	}
}

// refuseCancel answers a CANCEL whose INVITE did not arrive in time.
func (e *Endpoint) refuseCancel(invite string, c incoming) {
	e.t.mu.Lock()
	mine := e.t.waitingCancels.remove(invite, c)
	e.t.mu.Unlock()
	if mine {
		e.cancelsNothing(c)
	}
}

func (e *Endpoint) cancelsNothing(c incoming) {
	e.stray(c)
}
