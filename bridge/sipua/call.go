package sipua

import (
	"crypto/rand"
	"strings"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// token returns a random string that nobody can guess, for Call-IDs, tags and our Contact at the service.
func token() string { return strings.ToLower(rand.Text()) }

// call is one call and its two legs. Everything that happens to a call goes through its mailbox, in order, so no lock
// is needed inside. The endpoint's callbacks, the timers and the effects only post.
type call struct {
	// set once
	a         *Agent
	line      *Line
	id        supervision.CallID
	emergency bool
	trusted   bool // an emergency call with credentials, or from the address and port of the binding
	arrived   bool // from the service; otherwise requested by the adapter
	merged    mergedKey
	trial     bool // its far end is in this process
	copied    bool // a copy of its INVITE came by another path (RFC 3261 section 8.2.2.2)
	began     time.Time
	number    supervision.NumberClass // of an outgoing call
	first     *inviteForwarding       // the INVITE that made the call
	mailbox   *endpoint.Serial

	progress atomic.Bool // the service answered with an 18x or a 200
	silent   atomic.Bool // neither end of the emergency call answered the last check

	// owned by the mailbox
	legs [2]*leg // by media.Side
	path mediaPath
	ends emergencyEnds
	// code answers the INVITE of a leg that is cleared without a final response; 0 means 480
	code int
	// the events that have been posted
	rang, answered, farCleared, nearCleared, lost, soundless bool
	party                                                    callrecord.Party // the far party, as reported
	state                                                    []byte           // as it was last saved; nil: not saved
	// lookedAt is when the state was last looked at; lookDue: the next look is due
	lookedAt time.Time
	lookDue  bool
	// answeredAt is set where the state is saved
	answeredAt time.Time
	adoption   *adoption // nil: the call began in this process
	// onlyCleared: an earlier process began the call, this one only clears it, and the machine knows it
	onlyCleared bool
	// centreReached: this emergency call was not answered, but the centre may know of it
	centreReached bool
	done          bool
}

func (a *Agent) newCall(l *Line, emergency, arrived bool) *call {
	return a.makeCall(l, supervision.CallID(a.lastCall.Add(1)), emergency, arrived)
}

func (a *Agent) makeCall(l *Line, id supervision.CallID, emergency, arrived bool) *call {
	c := &call{a: a, line: l, id: id, emergency: emergency, arrived: arrived, began: time.Now(), lookedAt: time.Now()}
	c.path = mediaPath{relay: l.o.Relay, emergency: emergency, ports: a.media, flash: c.flashInMedia,
		notice: c.noticeInMedia}
	c.mailbox = endpoint.NewSerial(a.work.start, c.failed)
	if a.saveCall != nil {
		c.mailbox.After(c.saveIfChanged)
	}
	if a.reception != nil {
		c.path.reception = func(side media.Side) time.Time { return a.reception(c.id, side) }
	}
	return c
}

// post puts f into the mailbox. It never blocks.
func (c *call) post(f func()) { c.mailbox.Post(f) }

// begin adds the call to the tables and puts first at the head of the mailbox. Functions that others post after finding
// the call in the tables run after first.
func (c *call) begin(x *inviteForwarding, first func()) {
	c.a.addDialog(x.from, x.from.dialog)
	c.a.addDialog(x.to, x.to.dialog)
	c.a.addInvite(x)
	c.a.addCall(c)
	c.a.callBegan(c)
	c.line.messageState.abortNotify()
	c.mailbox.Begin(first, c.watchEnds)
}

// failed logs a panic in one step of the call. The process and the call continue.
func (c *call) failed(v any) {
	c.line.log.Error("a step of a call failed", zap.Uint64("call", uint64(c.id)), zap.Any("fault", v),
		zap.Stack("stack"))
}

// after posts f after d. f itself must check whether it still matters.
func (c *call) after(d time.Duration, f func()) *time.Timer {
	return time.AfterFunc(d, func() { c.post(f) })
}

// accept makes the two legs of a new call from its INVITE; account is the account on the service's side. If it cannot
// take the call, it answers the INVITE, frees the call's place and returns nil.
func (c *call) accept(side media.Side, s *socket, account *account, r *endpoint.Request) *inviteForwarding {
	c.merged = mergedKey{line: c.line, callID: r.CallID().Value(), fromTag: r.Request.From().Params.GetOr("tag", ""),
		cseq: r.CSeq().SeqNo}
	if c.copied = !c.a.claim(c.merged); c.copied {
		c.releasePlace()
		s.reply(r, sip.StatusLoopDetected, "Merged Request")
		return nil
	}
	body, err := c.path.translate(r.Request, side)
	if err != nil {
		c.a.release(c.merged)
		c.releasePlace()
		c.line.log.Warn("a call cannot be accepted", zap.Error(err))
		code, reason, headers := bodyRefusal(err)
		if code == sip.StatusServiceUnavailable {
			headers = append(headers, c.a.retryAfter())
		}
		s.reply(r, code, reason, headers...)
		if c.arrived && code == sip.StatusServiceUnavailable {
			c.line.recordRefused(r, c.id, c.emergency, code, supervision.EvidenceNoRoom)
		}
		return nil
	}
	from, to := newServerLeg(c, side, s, account, r), newClientLeg(c, other(side), account)
	c.legs[side], c.legs[other(side)] = from, to
	c.first = &inviteForwarding{initial: true, from: from, inviteAttempt: &inviteAttempt{to: to}, r: r,
		seq: r.CSeq().SeqNo, body: body, offered: hasBody(r.Request)}
	c.first.readCallerOptions()
	pair(to.dialog, from.dialog)
	from.in = c.first
	return c.first
}

func other(side media.Side) media.Side { return media.AdapterSide + media.ServiceSide - side }

func (c *call) event(ev supervision.Event) {
	ev.Call = c.id
	c.line.o.Events.Post(ev)
}

// ringing posts that an arrived call rings at the adapter, once.
func (c *call) ringing() {
	if c.arrived && !c.rang && !c.answered {
		c.rang = true
		c.event(supervision.Event{Kind: supervision.CallRinging})
	}
}

func (c *call) nearEndAnswered() {
	if !c.answered {
		c.answered = true
		c.event(supervision.Event{Kind: supervision.CallAnswered})
		c.path.answered()
		c.listen()
		c.legs[media.ServiceSide].watch()
	}
}

// farEndCleared posts the clearing once, unless the near end cleared first.
func (c *call) farEndCleared(evidence supervision.Evidence, late time.Duration) {
	if !c.farCleared && !c.nearCleared && !c.lost {
		c.attemptsEnd()
		c.noteResumedSound()
		c.farCleared = true
		c.event(supervision.Event{Kind: supervision.FarEndCleared, Evidence: evidence, Late: late})
	}
}

// nearEndCleared posts the clearing once. It may follow the far end's (a BYE crosses a BYE), since it shows that the
// near end hung up.
func (c *call) nearEndCleared() {
	if !c.nearCleared && !c.lost {
		c.attemptsEnd()
		c.nearCleared = true
		c.event(supervision.Event{Kind: supervision.NearEndCleared})
	}
}

func (c *call) adapterLost() {
	if !c.farCleared && !c.nearCleared && !c.lost {
		c.attemptsEnd()
		c.lost = true
		c.event(supervision.Event{Kind: supervision.AdapterLost})
	}
}

// clearedBy reports that side ended the call by signalling.
func (c *call) clearedBy(side media.Side) {
	if side == media.ServiceSide {
		c.farEndCleared(supervision.EvidenceBye, 0)
	} else {
		c.nearEndCleared()
	}
}

// peerSilent reports that side is no longer there. Late stays 0: nobody can prove when the side vanished. The last
// packet from it only gives the earliest possible time.
func (c *call) peerSilent(side media.Side) {
	if side == media.ServiceSide {
		c.farEndCleared(supervision.EvidenceServiceLost, 0)
	} else {
		c.adapterLost()
	}
}

// refuse answers a call that was never offered to the adapter.
func (c *call) refuse(code int) {
	if c.legs[media.AdapterSide].state != legNew {
		return
	}
	c.code = code
	for _, l := range c.legs {
		l.clear()
	}
}

// abandon ends both sides without a report, since nothing receives reports any more.
func (c *call) abandon() {
	if c.code == 0 {
		c.code = sip.StatusServiceUnavailable
	}
	for _, l := range c.legs {
		l.clear()
	}
}

// releaseIfEnded frees what the call holds when both its legs are over.
func (c *call) releaseIfEnded() {
	if c.done || c.legs[0].state != legOver || c.legs[1].state != legOver {
		return
	}
	c.done = true
	if c.ends.timer != nil {
		c.ends.timer.Stop()
	}
	c.a.release(c.merged)
	c.releasePlace()
	c.dropState()
	free, answered := c.path.detach(), c.answered
	// Not in the mailbox: to free the ports takes time, and the next step of the mailbox may begin an opening.
	c.a.work.start(func() {
		free(c.line.log)
		c.reportMedia(answered)
		c.a.removeCall(c)
		c.line.messageState.notifySoon()
	})
}

// releasePlace frees the call's place.
func (c *call) releasePlace() {
	switch {
	case !c.emergency:
		c.line.leave()
	case c.arrived:
		c.line.expectCallback()
		c.line.callbacks.Add(-1)
	default:
		if c.answered || c.centreReached {
			c.line.expectCallback()
			c.a.openCallbackWindow()
		}
		c.line.emergencyCalls.leave(c)
	}
}
