package sipua

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/sessiontimer"
	"clearback/supervision"
)

// This file takes up the calls of an earlier process (saved.go): the same dialogs, sockets and media ports. What
// follows for an answered call is in adopt_liveness.go, for one that rang in adopt_ringing.go.

const (
	// longestCall is how long ago the beginning of a call that is taken up may be. A beginning to come shows only that
	// the wall clock was set back: without a battery, it is in the past whenever the machine starts. Our own number:
	// nobody talks that long.
	longestCall = 48 * time.Hour
	// maxSavedCalls bounds the calls of one line that are taken up. Our own number: a line has a few.
	maxSavedCalls = 64
	// maxAdoptions is how many processes in a row may take up a call and end within settledAfter. Another one would
	// probably end as they did, and the line would serve nobody. Our own numbers.
	maxAdoptions = 3
	settledAfter = 10 * time.Second
	// maxCallID bounds the number of a call, so that the numbers after it fit everywhere.
	maxCallID = 1 << 53
)

// adopt takes up the saved calls, emergency calls first, then the latest: if two calls had the same ports, the earlier
// one is over. It runs while the sockets are open and nothing that arrives is handled yet. A call that cannot be
// continued is cleared on both sides.
func (a *Agent) adopt(saved map[supervision.CallID][]byte, rebooted map[supervision.CallID]bool) {
	if a.saveCall == nil {
		return
	}
	var all []*savedCall
	for id, state := range saved {
		s, err := readSavedCall(id, state)
		if err != nil {
			a.refuseSaved(id, state, err)
			continue
		}
		s.rebooted = rebooted[id]
		all = append(all, s)
		a.lastCall.Store(max(a.lastCall.Load(), uint64(id)))
	}
	slices.SortFunc(all, func(s, t *savedCall) int {
		switch {
		case s.Emergency == t.Emergency:
			return cmp.Compare(t.Call, s.Call)
		case s.Emergency:
			return -1
		}
		return 1
	})
	lines := map[string]int{}
	for _, s := range all {
		lines[s.Line]++
		err := error(nil)
		if lines[s.Line] > maxSavedCalls {
			err = fmt.Errorf("the line has more than %d", maxSavedCalls)
		} else {
			err = a.takeUp(s, saved[s.Call])
		}
		if err != nil {
			a.refuseSaved(s.Call, saved[s.Call], err)
		}
	}
}

// refuseSaved removes the state of a call. Even if the rest cannot be used, an emergency call that was answered begins
// the call-back window.
func (a *Agent) refuseSaved(id supervision.CallID, state []byte, why error) {
	a.log.Warn("a call of the last run cannot be taken up; if its line is still held, hang up there",
		zap.Uint64("call", uint64(id)), zap.Error(why))
	a.saveCall(id, nil, nil)
	var s struct {
		Line      string
		Owner     string
		Emergency bool
	}
	_ = json.Unmarshal(state, &s) // what cannot be read is no emergency call
	if !s.Emergency || !Answered(state) {
		return
	}
	a.openCallbackWindow()
	if l := a.lineOf(s.Line, s.Owner); l != nil {
		l.expectCallback()
		l.lostEmergencyCall(id)
	}
}

// lostEmergencyCall tells the machine that an answered emergency call of an earlier process is over.
func (l *Line) lostEmergencyCall(id supervision.CallID) {
	l.o.Events.Post(supervision.Event{Kind: supervision.CallAdopted, Call: id, Emergency: true})
	l.o.Events.Post(supervision.Event{Kind: supervision.AdapterLost, Call: id})
}

// readSavedCall reads a state and checks what the lines do not matter for.
func readSavedCall(id supervision.CallID, state []byte) (*savedCall, error) {
	s := &savedCall{}
	d := json.NewDecoder(bytes.NewReader(state))
	d.DisallowUnknownFields()
	err := json.Unmarshal(state, &struct{ Version *int }{&s.Version})
	if err == nil && s.Version != savedVersion {
		err = s.readBasics(state)
	} else {
		err = d.Decode(s)
	}
	if err != nil {
		return nil, err
	}
	switch age := time.Since(s.Began); {
	case s.Call != id || id == 0 || id > maxCallID:
		return nil, errors.New("its file has the name of another call")
	case age > longestCall:
		return nil, fmt.Errorf("it began at %s", s.Began.Format(time.DateTime))
	case s.Adoptions >= maxAdoptions:
		return nil, fmt.Errorf("%d processes in a row ended soon after they had taken it up", s.Adoptions)
	case len(s.Streams) > maxMediaLines:
		return nil, fmt.Errorf("it has %d streams", len(s.Streams))
	}
	for i := range s.Legs {
		if err := s.Legs[i].check(); err != nil {
			return nil, fmt.Errorf("leg %s: %w", sideName(i), err)
		}
	}
	return s, nil
}

// readBasics reads from a state of another version what all versions have.
func (s *savedCall) readBasics(state []byte) error {
	var basics struct {
		savedBasics
		Legs [2]struct{ savedDialog }
	}
	if err := json.Unmarshal(state, &basics); err != nil {
		return errors.Join(s.otherVersion(), err)
	}
	s.savedBasics = basics.savedBasics
	for side, l := range basics.Legs {
		s.Legs[side].savedDialog = l.savedDialog
	}
	return nil
}

// otherVersion returns an error if the state is of another version.
func (s *savedCall) otherVersion() error {
	if s.Version == savedVersion {
		return nil
	}
	return fmt.Errorf("it was saved by another version of this program (%d, not %d)", s.Version, savedVersion)
}

// check checks what rebuild does not.
func (s *savedLeg) check() error {
	for _, text := range slices.Concat([]string{s.CallID, s.Tag, s.Local, s.Remote, s.Target, s.Dest}, s.Routes) {
		if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			return fmt.Errorf("control characters in %q", text)
		}
	}
	switch t := s.Session.Seconds; {
	case s.CallID == "" || s.Tag == "":
		return errors.New("no Call-ID or no tag")
	case t != sessiontimer.Seconds(fmt.Sprint(t)) || s.MinSE < 0:
		return fmt.Errorf("session interval %d s", t)
	case s.Seq > 1<<31-2*seqSkip: // RFC 3261 section 8.1.1.5
		return fmt.Errorf("CSeq number %d", s.Seq)
	}
	for _, h := range s.Support {
		if h > supportNone {
			return fmt.Errorf("support %d", h)
		}
	}
	return nil
}

// takeUp continues a call, or clears it if it cannot be continued. An error means that nothing is known of its dialogs.
func (a *Agent) takeUp(s *savedCall, state []byte) (err error) {
	var added *call
	defer func() {
		if v := recover(); v != nil {
			if err = fmt.Errorf("a fault in this program: %v", v); added != nil {
				added.onlyClear(s.Invite, err)
				err = nil
			}
		}
	}()
	line := a.lineOf(s.Line, s.Owner)
	if line == nil {
		if line, err = a.removedLine(s); err != nil {
			return err
		}
	}
	c := a.makeCall(line, s.Call, s.Emergency, s.Arrived)
	for side := range s.Legs {
		l, err := s.Legs[side].rebuild(c, media.Side(side))
		if err != nil {
			return fmt.Errorf("leg %s: %w", sideName(side), err)
		}
		c.legs[side] = l
	}
	from, to := c.legs[media.AdapterSide], c.legs[media.ServiceSide]
	if c.arrived {
		from, to = to, from
	}
	pair(to.dialog, from.dialog)
	from.offerAnswer.begun = true
	c.first = &inviteForwarding{initial: true, from: from, finalSent: true,
		inviteAttempt: &inviteAttempt{to: to, settled: true, won: true}}
	if s.Invite != nil {
		if err := c.ring(s.Invite); err != nil {
			return err
		}
	}
	c.lookedAt = time.Time{} // the first look is at once
	c.trusted, c.party, c.ends.known = s.Trusted, s.Party, s.Known
	c.began, c.answeredAt, c.number = s.Began, s.Answered, s.Number
	c.rang, c.answered, c.trial = true, s.Invite == nil, s.Trial
	c.progress.Store(s.Invite == nil || s.Invite.Rang)
	unusable, mute := c.continues(s), error(nil)
	if unusable == nil {
		if unusable = c.path.restore(s); c.emergency {
			unusable, mute = nil, unusable
		}
	}
	c.takePlace()
	for _, l := range c.legs {
		a.addDialog(l, l.dialog)
	}
	a.addCall(c)
	added = c
	line.messageState.abortNotify()
	if unusable != nil {
		c.reportAdopted()
		c.onlyClear(s.Invite, unusable)
		return nil
	}
	if mute != nil {
		line.log.Warn("an emergency call of the last run is continued without its sound", zap.Uint64("call", uint64(c.id)),
			zap.Error(mute))
	}
	if s.Invite != nil {
		c.state = state
		c.continueRinging()
		return nil
	}
	c.state, c.adoption = state, &adoption{began: time.Now(), count: s.Adoptions + 1}
	c.reportAdopted()
	c.event(supervision.Event{Kind: supervision.CallAdopted, Emergency: c.emergency, Number: c.number})
	if mute != nil {
		c.soundMissing()
	}
	line.log.Info("a call of the last run is continued", zap.Uint64("call", uint64(c.id)))
	c.mailbox.Begin(c.watchEnds, func() { c.resume(s) })
	return nil
}

// onlyClear clears a call that cannot be continued on both sides. The machine learns at once that the call is on the
// line, and, once the adapter's leg is over, that its far end has cleared. So nothing is opened for another call
// meanwhile, nor for this one: its leg was not heard. A call of the adapter that was over holds no leg there.
func (c *call) onlyClear(invite *savedInvite, why error) {
	c.line.log.Warn("a call of the last run cannot be continued; it is cleared on both sides, and nothing is opened",
		zap.Uint64("call", uint64(c.id)), zap.Error(why))
	c.a.saveCall(c.id, nil, nil)
	begin := supervision.Event{Kind: supervision.CallAdopted, Emergency: c.emergency, Number: c.number}
	switch {
	case invite == nil:
	case c.arrived: // it may ring
		begin.Kind = supervision.CallArrived
	default:
		begin.Kind = supervision.CallRequested
	}
	if c.onlyCleared = invite == nil || c.arrived || !invite.Over; c.onlyCleared {
		c.event(begin)
		c.attemptsEnd()
	}
	c.farCleared, c.answered = true, true // leg.finish posts what follows
	c.mailbox.Begin(func() { c.endForeign(invite) })
}

// takePlace is admit for a call that is up already.
func (c *call) takePlace() {
	switch {
	case !c.emergency:
		c.line.ordinary.Add(1)
		c.a.ordinary.Add(1)
	case c.arrived:
		c.line.callbacks.Add(1)
	default:
		c.line.emergencyCalls.restore(c)
	}
}

// rebuild makes the leg of a saved dialog.
func (s *savedLeg) rebuild(c *call, side media.Side) (*leg, error) {
	l := newClientLeg(c, side, c.line.accounts[0])
	if s.Second && len(c.line.accounts) > 1 {
		l.account = c.line.accounts[1]
	}
	local, remote := &sip.FromHeader{}, &sip.ToHeader{}
	var err, other error
	if local.DisplayName, err = sip.ParseAddressValue(s.Local, &local.Address, &local.Params); err != nil {
		return nil, fmt.Errorf("local address: %w", err)
	}
	if remote.DisplayName, err = sip.ParseAddressValue(s.Remote, &remote.Address, &remote.Params); err != nil {
		return nil, fmt.Errorf("remote address: %w", err)
	}
	l.target, err = parseURI(s.Target)
	for _, text := range s.Routes {
		u, e := parseURI(text)
		l.routes, other = append(l.routes, u), errors.Join(other, e)
	}
	switch err = errors.Join(err, other); {
	case err != nil:
		return nil, err
	case local.Params.GetOr("tag", "") != s.Tag:
		return nil, errors.New("the local tag is not that of From")
	case s.Transport != "UDP" && s.Transport != "TCP":
		return nil, fmt.Errorf("transport %q", s.Transport)
	}
	l.state, l.callID, l.tag, l.local, l.remote = legUp, s.CallID, s.Tag, local, remote
	l.seq, l.remoteSeq, l.remoteSeqSet = s.Seq+seqSkip, s.RemoteSeq, s.RemoteSeqSet
	l.transport, l.dest, l.lastSource = s.Transport, s.Dest, s.Source
	l.session.updates, l.session.minSE, l.alive.support = s.Updates, s.MinSE, maps.Clone(s.Support)
	return l, nil
}

// parseURI parses the URI of a peer, which must name a host.
func parseURI(text string) (u sip.Uri, err error) {
	if err = sip.ParseUri(text, &u); err == nil && (u.Host == "" || u.Wildcard) {
		err = errors.New("no host")
	}
	if err != nil {
		err = fmt.Errorf("URI %q: %w", text, err)
	}
	return u, err
}

// continues returns an error if the call cannot go on here, with or without its media.
func (c *call) continues(s *savedCall) error {
	for side, l := range c.legs {
		if now, was := l.s.ep.Addr(), s.Legs[side].Socket; now != was {
			return fmt.Errorf("its %s side was at %v, and the line is at %v now", sideName(side), was, now)
		}
		if l.transport == "UDP" && !l.s.at.UDP || l.transport == "TCP" && !l.s.at.TCP {
			return fmt.Errorf("its %s side uses %s, and the line does not any more", sideName(side), l.transport)
		}
		c.path.from[side] = s.Legs[side].Signalling
	}
	switch {
	case s.Owner != c.line.owner() && !c.emergency:
		return fmt.Errorf("line %s belonged to %s, and no line does now", s.Line, s.Owner)
	case s.Version != savedVersion && (!c.emergency || s.Invite != nil && s.Relay):
		// an emergency call that rang would be answered without sound: its caller had better dial again
		return s.otherVersion()
	case s.Trial:
		return errors.New("it was made by clearback tune")
	case s.Invite != nil && (!c.emergency || c.arrived):
		return errors.New("it was not answered yet")
	case s.Invite != nil && s.Invite.Over:
		return errors.New("it was over, without an answer")
	case s.Invite != nil && s.rebooted:
		return errors.New("it rang before this machine started")
	case s.Invite != nil && time.Since(s.Invite.At) > c.a.times.final+ringStep:
		// the service, or the caller, may have given up, and to repeat the INVITE would be a new call
		return fmt.Errorf("it last rang at %s", s.Invite.At.Format(time.DateTime))
	}
	return nil
}

// restore continues the media of a saved call on the same ports, as far as it can.
func (p *mediaPath) restore(s *savedCall) (failed error) {
	if p.relay, p.begun = s.Relay && p.ports != nil, s.Invite == nil; !p.begun {
		p.pendingOffer = &pendingOffer{from: media.AdapterSide, sides: make([]streamSide, len(s.Streams))}
	}
	if s.Relay {
		failed = s.otherVersion() // which has no streams here
	}
	for side, sent := range s.Sent {
		p.sentDescriptions[side] = sentDescription{body: sent.Body, kind: sent.Kind, id: sent.ID, version: sent.Version,
			highest: sent.Highest}
		if d, err := parseSDP(sent.Body); err == nil {
			d.session = slices.DeleteFunc(d.session, func(l sdpLine) bool { return l.kind == 'v' || l.kind == 'o' })
			p.sentDescriptions[side].rest = d.text()
		}
	}
	for i, saved := range s.Streams {
		one := &stream{}
		p.streams = append(p.streams, one)
		for side, at := range saved.Sides {
			one.sides[side] = streamSide{live: at.Live, mux: at.Mux, dtls: at.DTLS, opaque: at.Opaque,
				sendsNothing: at.SendsNothing, onHold: at.OnHold, rtp: at.RTP, rtcp: at.RTCP, types: at.Types,
				events: at.Events}
		}
		switch {
		case saved.Ports == nil:
			continue
		case !p.relay:
			failed = errors.New("its line does not relay media any more")
			continue
		}
		session, err := p.ports.Resume(*saved.Ports)
		if err != nil {
			failed = fmt.Errorf("%w: %w", errPorts, err)
			continue
		}
		one.session = session
		p.connect(i)
		one.apply(p.flash)
		if p.begun {
			one.session.Answered()
		}
		one.session.Follow(*saved.Ports)
	}
	return failed
}
