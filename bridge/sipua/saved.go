package sipua

import (
	"bytes"
	"encoding/json"
	"net/netip"
	"regexp"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/sessiontimer"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// This file saves the state of calls, with which a later process takes them up (adopt.go). A call is saved when its
// INVITE is sent on, before its 200 is passed on, and again whenever something of it has changed. While one of its legs
// is being cleared, the last state stays: after a restart both ends are asked anyway. The state has no passwords,
// nonces or keys.

const (
	// saveLimit is how long a 200 waits for the state of its call to be on the disk. Our own number: nobody notices it
	// between lifting a handset and speaking.
	saveLimit = 100 * time.Millisecond
	// savedVersion is the version of savedCall. A process clears a call of another version.
	savedVersion = 2
	// seqStep is how far the local CSeq number moves before the state is saved again, and seqSkip how far a later
	// process goes beyond the saved one. So numbers always rise (RFC 3261 section 12.2.1.1).
	seqStep = 50
	seqSkip = 100
	// saveEvery is how often the state of an ordinary call is looked at. Most calls are answered, or over, before their
	// first change has to be saved. Our own number.
	saveEvery = 100 * time.Millisecond
	// ringStep is how often the state of an emergency call that rings is saved again, so that a later process knows how
	// long ago it was still here. Our own number.
	ringStep = 5 * time.Second
)

// savedCall is the state of a call.
type savedCall struct {
	Version int
	savedBasics
	Number  supervision.NumberClass // of an outgoing call
	Trusted bool                    // as in call
	Trial   bool                    // its far end was in the process that has ended
	Party   callrecord.Party
	Known   bool        // as in emergencyEnds
	Legs    [2]savedLeg // by media.Side
	Streams []savedStream
	Sent    [2]savedDescription // by the side that received it
	// Adoptions counts the processes that took the call up and did not live for long afterwards.
	Adoptions int `json:",omitempty"`

	rebooted bool // as in Options
}

// savedBasics is what it takes, with the dialog of each leg, to clear a call, and to continue an emergency call. A
// process reads it from a state of any version: after a downgrade nobody else would clear the call. So the fields of
// savedBasics, savedInvite and savedDialog keep their names, types and meanings in every version.
type savedBasics struct {
	Line      string
	Owner     string // Line.owner when it was saved
	Call      supervision.CallID
	Began     time.Time
	Answered  time.Time
	Emergency bool
	Arrived   bool
	Relay     bool
	Invite    *savedInvite // of a call that was not answered; nil: it was
}

// savedInvite is an INVITE without a final response, and what was sent on.
type savedInvite struct {
	Request []byte         // the caller's
	From    netip.AddrPort // its source
	Sent    []byte         // ours, with its Via
	Dest    string         // where ours went
	Rang    bool           // a provisional response has come
	Early   string         // the To of the last early dialog; "" if there was none
	At      time.Time      // when it was saved
	Over    bool           // the call was being cleared
}

// savedDialog is the dialog of a leg (RFC 3261 section 12), and where the leg is.
type savedDialog struct {
	Socket        netip.AddrPort // ours
	Second        bool           // the account at the service is the line's second
	CallID, Tag   string
	Local, Remote string // From and To of our requests
	Target        string
	Routes        []string
	Seq           uint32
	Transport     string
	Dest          string     // as in leg
	Source        netip.Addr // leg.lastSource
}

// savedLeg is the dialog of a leg and what was learnt about its peer.
type savedLeg struct {
	savedDialog
	RemoteSeq    uint32
	RemoteSeqSet bool
	Signalling   netip.Addr // mediaPath.from
	Updates      bool       // the peer's Allow has UPDATE
	Session      sessiontimer.Session
	Until        time.Time // when the session expires without a refresh
	MinSE        int
	Support      map[sip.RequestMethod]methodSupport
	Pending      []byte         // the peer's re-INVITE without a final response; nil: none
	PendingFrom  netip.AddrPort // its source
}

// savedStream is a stream of a relayed call.
type savedStream struct {
	Ports *media.SavedSession // nil: nothing is relayed
	Sides [2]savedStreamSide  // by the side that described it
}

// savedStreamSide is a streamSide without what only concerns the counts: until its next offer, neither the level nor
// the keys of an adopted call are counted, and its jitter is computed with the clock rates of RFC 3551.
type savedStreamSide struct {
	Live, Mux, DTLS, Opaque, SendsNothing, OnHold bool
	RTP, RTCP                                     netip.AddrPort
	Types, Events                                 media.PayloadTypes
}

// savedDescription is a sentDescription. A body that contains a key is left out.
type savedDescription struct {
	Body                 []byte
	Kind                 string
	ID, Version, Highest uint64
}

// Answered reports whether a call was answered, from its state of any version.
func Answered(state []byte) bool {
	var s struct{ Invite json.RawMessage }
	err := json.Unmarshal(state, &s)
	return err == nil && (s.Invite == nil || string(s.Invite) == "null")
}

// owner says whose calls a line has: its adapter, its contact and its accounts. Whoever edits the file between two runs
// may give the line's name to others.
func (l *Line) owner() string {
	all := []string{l.o.AdapterUser, l.o.Contact}
	for _, at := range l.accounts {
		all = append(all, at.User+"@"+at.Registrar.Host)
	}
	return strings.Join(all, ", ")
}

// keys finds the lines of a session description that contain a key or a password (RFC 4568, RFC 8866 section 5.12, RFC
// 8839 section 5.4).
var keys = regexp.MustCompile(`(?im)^(` + mediaKey + `|a=ice-pwd:)`)

// mediaKey matches the beginning of a line that offers a key for the payload (RFC 4568, RFC 4567, RFC 8866 section
// 5.12).
const mediaKey = `a=(crypto|key-mgmt):|k=`

// snapshot returns the state of a call, or nil if its last saved state still says all. That is so while the legs of an
// answered call are being cleared. A call that is cleared without an answer is saved as such, so that a later process
// only ends it.
func (c *call) snapshot() []byte {
	var invite *savedInvite
	near, far, x := c.legs[0], c.legs[1], c.first
	clearing := near.clearing || far.clearing || near.state == legOver || far.state == legOver
	switch {
	case x == nil:
		return nil
	case clearing && !c.answered && x.req != nil && c.state != nil:
		invite = x.saved()
		invite.Over = true
	case clearing:
		return nil
	case near.state == legUp && far.state == legUp:
	case x.from.state == legIncoming && x.to.state == legCalling && !x.finalSent && x.req != nil:
		invite = x.saved()
	default:
		return nil
	}
	s := savedCall{Version: savedVersion, Number: c.number, Trusted: c.trusted, Trial: c.trial, Party: c.party,
		Known: c.ends.known, Adoptions: c.adoptions(),
		savedBasics: savedBasics{Line: c.line.o.Name, Owner: c.line.owner(), Call: c.id, Began: c.began.Round(0),
			Answered: c.answeredAt.Round(0), Emergency: c.emergency, Arrived: c.arrived, Relay: c.path.relay,
			Invite: invite}}
	for side, l := range c.legs {
		s.Legs[side] = l.saved()
		sent := &c.path.sentDescriptions[side]
		s.Sent[side] = savedDescription{Kind: sent.kind, ID: sent.id, Version: sent.version, Highest: sent.highest}
		if !keys.Match(sent.body) {
			s.Sent[side].Body = sent.body
		}
	}
	for _, one := range c.path.streams {
		s.Streams = append(s.Streams, one.saved())
	}
	state, err := json.Marshal(s)
	if err != nil {
		c.line.log.Error("the state of a call cannot be saved", zap.Uint64("call", uint64(c.id)), zap.Error(err))
		return nil
	}
	return state
}

func (x *inviteForwarding) saved() *savedInvite {
	s := &savedInvite{Request: plainInvite(x.r.Request), From: x.r.From, Sent: plainInvite(x.req),
		Dest: x.req.Destination(), Rang: x.rang, At: time.Now().Round(0).Truncate(ringStep)}
	if n := len(x.to.early); n > 0 {
		s.Early = x.to.early[n-1].remote.Value()
	}
	return s
}

// plainInvite is an INVITE as text, without credentials and keys.
func plainInvite(r *sip.Request) []byte {
	out := r.Clone()
	for _, name := range []string{"Authorization", "Proxy-Authorization"} {
		for out.RemoveHeader(name) {
		}
	}
	if keys.Match(out.Body()) {
		out.SetBody(nil)
	}
	return []byte(out.String())
}

func (l *leg) saved() savedLeg {
	s := savedLeg{RemoteSeq: l.remoteSeq, RemoteSeqSet: l.remoteSeqSet, Signalling: l.c.path.from[l.side],
		Updates: l.session.updates, Session: l.session.Session, MinSE: l.session.minSE, Support: l.alive.support,
		savedDialog: savedDialog{Socket: l.s.ep.Addr(), Second: l.account != nil && l.account.second,
			CallID: l.callID, Tag: l.tag, Local: l.local.Value(), Remote: l.remote.Value(),
			Target: plainURI(l.target), Seq: l.seq - l.seq%seqStep, Transport: l.transport, Dest: l.dest,
			Source: l.lastSource}}
	if s.Session.Seconds > 0 {
		s.Until = l.session.until.Round(0)
	}
	if x := l.in; x != nil && !x.initial && !x.finalSent {
		s.Pending, s.PendingFrom = plainInvite(x.r.Request), x.r.From
	}
	for _, u := range l.routes {
		s.Routes = append(s.Routes, plainURI(u))
	}
	return s
}

// plainURI is a URI as text, without a password.
func plainURI(u sip.Uri) string {
	u.Password = ""
	return u.String()
}

func (s *stream) saved() (one savedStream) {
	if s.session != nil {
		ports := s.session.Saved()
		one.Ports = &ports
	}
	for i, at := range s.sides {
		one.Sides[i] = savedStreamSide{Live: at.live, Mux: at.mux, DTLS: at.dtls, Opaque: at.opaque,
			SendsNothing: at.sendsNothing, OnHold: at.onHold, RTP: at.rtp, RTCP: at.rtcp, Types: at.types,
			Events: at.events}
	}
	return one
}

// saveIfChanged saves the call if its state has changed since it was last saved. It delays nothing: it runs after the
// messages that it concerns.
func (c *call) saveIfChanged() {
	if wait := saveEvery - time.Since(c.lookedAt); wait > 0 && !c.emergency {
		if !c.lookDue {
			c.lookDue = true
			c.after(wait, func() { c.lookDue = false })
		}
		return
	}
	c.lookedAt = time.Now()
	if state := c.snapshot(); state != nil && !bytes.Equal(state, c.state) {
		c.state = state
		c.a.saveCall(c.id, state, nil)
		if c.emergency && !c.answered && !c.done {
			c.after(ringStep, func() {}) // the mailbox saves again
		}
	}
}

// saveBefore saves a call that has just been answered, and then runs pass in the mailbox: as soon as the state is on
// the disk, or after saveLimit. An emergency call waits for nothing, nor does a call while the disk is slow.
func (c *call) saveBefore(pass func()) {
	a := c.a
	if a.saveCall != nil {
		c.answeredAt, c.lookedAt = time.Now(), time.Now()
		c.state = c.snapshot()
	}
	switch {
	case c.state == nil:
		pass()
		return
	case c.emergency, a.savingSlow.Load():
		a.saveCall(c.id, c.state, func(error) { a.savingSlow.Store(false) }) // first: a kill may follow at once
		pass()
		return
	}
	passed := false
	once := func() {
		if !passed {
			passed = true
			pass()
		}
	}
	a.saveCall(c.id, c.state, func(error) {
		a.savingSlow.Store(false)
		c.post(once)
	})
	c.after(saveLimit, func() {
		if !passed && !a.savingSlow.Swap(true) {
			c.line.log.Warn("the disk is slow; answers no longer wait until the state of their call is saved")
		}
		once()
	})
}

// dropState removes the saved state of a call that has ended.
func (c *call) dropState() {
	if c.state != nil {
		c.state = nil
		c.a.saveCall(c.id, nil, nil)
	}
}
