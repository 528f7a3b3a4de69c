package media

import (
	"net/netip"
	"time"
)

const (
	// relearnAfter is how long after a change of address the source of before may still send stragglers; they pass, but
	// they do not become the new source. Two seconds are some hundred packets, longer than any path keeps one.
	relearnAfter = 2 * time.Second
	// silentFor is how long the source of RTP has to be silent before another one that is trusted may take its place
	// without a word in SDP: long enough that nobody takes over in a pause between two words, short enough for a far
	// end that was moved to another port.
	silentFor = 2 * time.Second
	// silentReports is the same for RTCP on a port of its own: three of its intervals of 5 s (RFC 3550 section 6.2).
	silentReports = 15 * time.Second
	// probationPackets in a row let a source go on for one that is silent. RFC 3550 appendix A.1 has MIN_SEQUENTIAL 2
	// after the first packet; 3 packets of speech are 60 ms.
	probationPackets = 3
	// unknownPackets in a row make a source at a host that nobody named the one that is followed, where that may be at
	// all: 200 ms of speech. Our own number.
	unknownPackets = 10
	// probationGap is the largest step of the sequence number that counts as in a row: one may be lost.
	probationGap = 2
	// maxCandidates are watched at a time, one a host; one that made no progress for candidateIdle makes room. That is
	// all the memory that strangers get: some 500 bytes for each flow of a side. Who sprays from many hosts keeps
	// others from being followed that nobody named, and only those.
	maxCandidates = 4
	candidateIdle = 250 * time.Millisecond
	// A stream that goes on elsewhere has its timestamp where its clock would be by now, give or take driftAllowed; its
	// clock is between those of speech and video (RFC 3551 section 6, from memory), in Hz.
	driftAllowed = time.Second
	slowestClock = 8000
	fastestClock = 90000
)

// verdict is what becomes of a packet.
type verdict uint8

const (
	passes verdict = iota
	unknownSource
	onProbation
	// passesRelaxed: it passes, and its source was taken only because this is an emergency call without sound
	passesRelaxed
	// competes: it does not pass, nor does the source that was followed until now
	competes
	// ignored: it is dropped, although it seems to be the only sound of this side
	ignored
)

// standing is what makes a source that of a side; the higher one takes over at once.
type standing uint8

const (
	unknownHost   standing = iota // nobody named it
	trustedHost                   // the side's signalling comes from it, or the user trusts its network
	signalledHost                 // it is in the SDP, with another port
	signalledAddr                 // it is in the SDP
)

// peer is where one flow of a side comes from and goes to. Owned by its end's lock.
type peer struct {
	expected netip.AddrPort // the SDP's; zero if not told
	learnt   netip.AddrPort // zero if nothing was heard
	// oneWay: learnt is heard, and nothing is sent to it, but to loyal, which was heard before, or else to expected
	oneWay bool
	loyal  netip.AddrPort
	// confirmed: learnt was heard since latching began anew; first is when
	confirmed     bool
	first         time.Time
	heard         time.Time // the last packet from learnt
	last          packetRun // of the last RTP packet from learnt
	contested     bool      // two at hosts that nobody named claimed it
	ignoresSource bool      // one at such a host was ignored, and that was told
	old           netip.AddrPort
	oldUntil      time.Time // until then packets from old, learnt before, pass
	candidates    [maxCandidates]candidate
}

// candidate is a source that may become the learnt one.
type candidate struct {
	from           netip.AddrPort
	packetRun      packetRun
	seen           int
	last, progress time.Time
}

// packetRun is what makes packets belong together: a source and a number that rises by one. The zero value belongs to
// none.
type packetRun struct {
	is, rtp bool
	pt      uint8
	source  uint32
	seq     uint16
	time    uint32 // RTP's timestamp
}

// sideTrust is what is known of a side beside its SDP's addresses. Owned by its end's lock.
type sideTrust struct {
	networks       []netip.Prefix // the user's own word, set once
	signalling     netip.Addr     // where its signalling comes from; zero if not known
	types          PayloadTypes   // negotiated
	answered       bool           // there was an answer to an offer
	unreachable    bool           // the system knows no way to the address in the SDP
	emergencySince time.Time      // since when it is an answered emergency call; zero: it is none
	silenceLimit   time.Duration  // with the silence of one
}

// named returns what makes a host one that the side may be at, apart from the SDP.
func (t *sideTrust) named(host netip.Addr) bool {
	if host == t.signalling {
		return true
	}
	for _, n := range t.networks {
		if n.Contains(host) {
			return true
		}
	}
	return false
}

// unusableAddress reports whether the SDP's address is one to which nothing can be sent from here: a private one (RFC
// 1918, RFC 3927, RFC 4193, RFC 6598), while the signalling comes from elsewhere, or one without a route.
func (t *sideTrust) unusableAddress(said netip.Addr) bool {
	return t.unreachable || said.IsValid() && said != t.signalling &&
		(said.IsPrivate() || said.IsLinkLocalUnicast() || shared.Contains(said))
}

// shared is the address space between a provider and its customers' translators (RFC 6598).
var shared = netip.MustParsePrefix("100.64.0.0/10")

// relaxed reports whether whoever sends is taken: in an answered emergency call, once this side was silent for as long
// as silenceLimit.
func (t *sideTrust) relaxed(heard, now time.Time) bool {
	return !t.emergencySince.IsZero() && now.Sub(t.emergencySince) >= t.silenceLimit && now.Sub(heard) >= t.silenceLimit
}

// target is where packets go.
func (p *peer) target() netip.AddrPort {
	switch {
	case p.learnt.IsValid() && !p.oneWay:
		return p.learnt
	case p.oneWay && p.loyal.IsValid():
		return p.loyal
	}
	return p.expected
}

// expect takes a new address from SDP. If it is another one than before, latching begins anew; a source that came
// before any address was known stays if its host is the same.
func (p *peer) expect(a netip.AddrPort, now time.Time) {
	if a == p.expected {
		return
	}
	if first := !p.expected.IsValid(); !first || p.learnt.Addr() != a.Addr() {
		p.old, p.oldUntil = netip.AddrPort{}, time.Time{}
		if !first && p.learnt != a {
			p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
		}
		p.forget()
	}
	p.expected, p.contested, p.ignoresSource, p.candidates = a, false, false, [maxCandidates]candidate{}
}

// review takes back what follows from a host's being unknown, if it is known by now.
func (p *peer) review(t *sideTrust) {
	if p.standing(p.learnt, t) > unknownHost {
		p.oneWay = false
	}
}

// forget ends the latching. What else is known of a source counts only while there is one.
func (p *peer) forget() { p.learnt, p.loyal = netip.AddrPort{}, netip.AddrPort{} }

// restartLatching begins the latching anew with the same SDP: until the source of before is heard again, whoever is as
// good may take its place at once. One to whom nothing is sent, since there was no answer yet, does not stay.
func (p *peer) restartLatching(now time.Time) {
	p.confirmed, p.contested, p.ignoresSource, p.candidates = false, false, false, [maxCandidates]candidate{}
	if p.oneWay {
		p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
		p.forget()
	}
}

func (p *peer) standing(from netip.AddrPort, t *sideTrust) standing {
	switch {
	case from == p.expected:
		return signalledAddr
	case from.Addr() == p.expected.Addr():
		return signalledHost
	case t.named(from.Addr()):
		return trustedHost
	}
	return unknownHost
}

func (p *peer) learn(from netip.AddrPort, r packetRun, now time.Time) {
	p.learnt, p.oneWay, p.loyal, p.confirmed, p.first, p.heard, p.last = from, false, netip.AddrPort{}, true, now, now,
		r
}

// replace learns a source in the place of the learnt one. If nothing was sent to that, nothing is sent to this.
func (p *peer) replace(from netip.AddrPort, r packetRun, now time.Time) {
	oneWay, loyal := p.oneWay, p.loyal
	p.learn(from, r, now)
	p.oneWay, p.loyal = oneWay, loyal
}

// accept judges a packet of RTP, or of what else comes on its port, and learns.
//
// The address that SDP names, its host, and the host that the side's signalling comes from are learnt from their first
// packet, the better one instead of the other. Who was learnt is heard alone, until SDP or a better one says otherwise,
// it was silent for silentFor and another one of those hosts, or its own, goes on, or its own stream goes on elsewhere.
// A host that nobody named is learnt only by the rules of unknown.
func (p *peer) accept(from netip.AddrPort, r packetRun, now time.Time, t *sideTrust) verdict {
	if from == p.learnt {
		if !p.confirmed {
			p.confirmed, p.first = true, now
		}
		if p.heard = now; r.rtp {
			p.last = r
		}
		return passes
	}
	if from == p.old && now.Before(p.oldUntil) {
		return passes
	}
	rank, had := p.standing(from, t), p.learnt.IsValid()
	was := unknownHost
	if had {
		was = p.standing(p.learnt, t)
	}
	switch {
	case rank > unknownHost && !r.is: // RTCP: it says who, and not where RTP comes from
		if !had {
			p.learn(from, r, now)
			p.confirmed = false
		}
		return passes
	case rank > unknownHost && (!had || rank > was || rank == was && !p.confirmed):
		p.learn(from, r, now)
		return passes
	case !r.is:
		return unknownSource
	case had && p.continuesStream(r, now):
		return p.move(from, r, now)
	case rank > unknownHost, had && from.Addr() == p.learnt.Addr():
		if now.Sub(p.heard) < silentFor {
			return unknownSource
		}
		if v, ok := p.countCandidate(from, r, now, probationPackets); !ok {
			return v
		}
		p.replace(from, r, now)
		return passes
	}
	return p.unknown(from, r, now, t)
}

// unknown judges a packet from a host that nobody named. It is followed where the SDP misleads, and heard, with nothing
// sent to it, before any answer; both only after unknownPackets of a negotiated type in a row, and if it is the only
// one. If two show as many none is followed, until SDP or an answer makes a new beginning: the second may come as long
// as the first is new, or once it is silent. To whom nothing is sent, another may succeed once it is silent:
// announcements come one after the other.
func (p *peer) unknown(from netip.AddrPort, r packetRun, now time.Time, t *sideTrust) verdict {
	if t.relaxed(p.heard, now) {
		if v, ok := p.countCandidate(from, r, now, probationPackets); !ok {
			return v
		}
		loyal := p.loyal
		if p.standing(p.learnt, t) > unknownHost { // it may only be silent, and somebody listens there
			loyal = p.learnt
		}
		p.learn(from, r, now)
		p.oneWay, p.loyal = loyal.IsValid(), loyal
		return passesRelaxed
	}
	misled, had := t.unusableAddress(p.expected.Addr()), p.learnt.IsValid()
	switch {
	case p.contested, r.rtp && !t.types.Has(r.pt):
		return unknownSource
	case !misled && t.answered && !had && !p.ignoresSource:
		if _, ok := p.countCandidate(from, r, now, unknownPackets); ok {
			p.ignoresSource = true
			return ignored
		}
		return unknownSource
	case !misled && t.answered, had && !p.mayCompete(now, t):
		return unknownSource
	}
	if v, ok := p.countCandidate(from, r, now, unknownPackets); !ok {
		return v
	}
	if had && p.confirmed && !(p.oneWay && now.Sub(p.heard) >= silentFor) {
		p.forget()
		p.contested = true
		return competes
	}
	p.learn(from, r, now)
	p.oneWay = !misled
	return passes
}

// mayCompete reports whether a source at a host that nobody named may compete with the learnt one.
func (p *peer) mayCompete(now time.Time, t *sideTrust) bool {
	switch {
	case p.standing(p.learnt, t) > unknownHost:
		return false
	case !p.confirmed:
		return true
	}
	return t.emergencySince.IsZero() && (now.Sub(p.first) < silentFor || now.Sub(p.heard) >= silentFor)
}

// continuesStream reports whether a packet continues the learnt stream: the same SSRC, and sequence number and
// timestamp where they would be by now.
func (p *peer) continuesStream(r packetRun, now time.Time) bool {
	ahead, units, elapsed := r.seq-p.last.seq, int64(int32(r.time-p.last.time)), now.Sub(p.heard)
	return r.rtp && p.last.rtp && r.source == p.last.source && ahead >= 1 && ahead < maxDropout &&
		units >= int64((elapsed-driftAllowed).Seconds()*slowestClock) &&
		units <= int64((elapsed+driftAllowed).Seconds()*fastestClock)
}

// move takes the learnt stream's place from elsewhere. What the old place still sends passes for a while.
func (p *peer) move(from netip.AddrPort, r packetRun, now time.Time) verdict {
	if _, ok := p.countCandidate(from, r, now, probationPackets); !ok {
		return unknownSource
	}
	p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
	p.replace(from, r, now)
	return passes
}

// countCandidate counts a packet of a candidate and reports whether it has enough in a row.
func (p *peer) countCandidate(from netip.AddrPort, r packetRun, now time.Time, enough int) (v verdict, ok bool) {
	c := p.candidate(from, now)
	if c == nil {
		return onProbation, false
	}
	step := r.seq - c.packetRun.seq
	switch {
	case c.seen == 0 || r.source != c.packetRun.source || step > probationGap || now.Sub(c.last) >= silentFor:
		c.seen = 1
	case step == 0: // doubled on the way
		return onProbation, false
	default:
		c.seen, c.progress = c.seen+1, now
	}
	c.packetRun, c.last = r, now
	if c.seen < enough {
		return onProbation, false
	}
	*c = candidate{}
	return passes, true
}

// candidate finds the place of a source, or makes one; nil if there is no room.
func (p *peer) candidate(from netip.AddrPort, now time.Time) *candidate {
	var room *candidate
	for i := range p.candidates {
		c := &p.candidates[i]
		idle := now.Sub(c.progress) >= candidateIdle
		switch {
		case c.from == from:
			return c
		case c.from.Addr() == from.Addr() && !idle:
			return nil
		case idle && (room == nil || c.progress.Before(room.progress)):
			room = c
		}
	}
	if room != nil {
		*room = candidate{from: from, progress: now}
	}
	return room
}

// acceptReport judges a packet on the RTCP port. It has to come from a host that RTP may come from too, or does;
// reports are too few for a probation.
func (p *peer) acceptReport(from netip.AddrPort, rtp *peer, now time.Time, t *sideTrust) verdict {
	if from == p.learnt {
		p.heard, p.confirmed = now, true
		return passes
	}
	rank, was := p.reporter(from, rtp, t), p.reporter(p.learnt, rtp, t)
	switch {
	case rank == unknownHost:
		return unknownSource
	case !p.learnt.IsValid() || rank > was || rank == was && !p.confirmed:
	case now.Sub(p.heard) < silentReports:
		return unknownSource
	}
	p.learn(from, packetRun{}, now)
	return passes
}

// reporter is the standing of a source of RTCP.
func (p *peer) reporter(from netip.AddrPort, rtp *peer, t *sideTrust) standing {
	s := p.standing(from, t)
	host := from.Addr()
	if s < signalledHost && host.IsValid() && (host == rtp.expected.Addr() || !rtp.oneWay &&
		host == rtp.learnt.Addr()) {
		return signalledHost
	}
	return s
}
