package media

import (
	"net/netip"
	"time"
)

const (
	// relearnAfter is how long packets from the previous source still pass after a change of address. They do not make
	// it the source again. Two seconds are some hundred packets, and longer than any path holds a packet back.
	relearnAfter = 2 * time.Second
	// silentFor is how long the source of RTP has to be silent before another trusted source may replace it without new
	// SDP. It is long enough that nobody takes over in a pause between two words, and short enough for a far end that
	// was moved to another port.
	silentFor = 2 * time.Second
	// silentReports is the same for RTCP on its own port: three RTCP intervals of 5 s (RFC 3550 section 6.2).
	silentReports = 15 * time.Second
	// probationPackets is how many packets in a row let a source replace a silent one. RFC 3550 appendix A.1 has
	// MIN_SEQUENTIAL 2 after the first packet. 3 packets of speech are 60 ms.
	probationPackets = 3
	// unknownPackets is how many packets in a row make a source at an unknown host the learnt one, where the rules
	// allow that at all: 200 ms of speech. An unknown host is one that neither SDP nor signalling nor the user has
	// named. Our own number.
	unknownPackets = 10
	// probationGap is the largest step of the sequence number that counts as in a row. It allows one lost packet.
	probationGap = 2
	// maxCandidates is the number of candidates watched at a time, one for each host. A candidate without progress for
	// candidateIdle makes room for another. This bounds the memory for unknown hosts to some 500 bytes for each flow of
	// a side. An attacker who sends from many hosts can prevent other unknown hosts from being learnt, but only those.
	maxCandidates = 4
	candidateIdle = 250 * time.Millisecond
	// A stream that continues from another address has the timestamp that its clock would show by now, give or take
	// driftAllowed. Its clock rate is between those of speech and video (RFC 3551 section 6, from memory), in Hz.
	driftAllowed = time.Second
	slowestClock = 8000
	fastestClock = 90000
)

// decision is the decision about a packet.
type decision uint8

const (
	passes decision = iota
	unknownSource
	unproven
	// passesRelaxed: the packet passes, but its source was accepted only because this is an emergency call without
	// sound
	passesRelaxed
	// competes: the packet does not pass, and neither do those of the source that was followed until now
	competes
	// ignored: the packet is dropped, although its stream seems to be the only sound of this side
	ignored
)

// standing is the reason to accept a source as that of a side. A source with a higher standing takes over at once.
type standing uint8

const (
	unknownHost   standing = iota // not named by SDP, signalling or the user
	trustedHost                   // the host of the side's signalling, or in a network that the user trusts
	signalledHost                 // the host in the SDP, with a different port
	signalledAddr                 // the address and port in the SDP
)

// peer is the source and the destination of one flow of a side. Guarded by the lock of its end.
type peer struct {
	expected netip.AddrPort // from the SDP; zero if not known
	learnt   netip.AddrPort // the source learnt from packets; zero if there is none
	// receiveOnly: packets from learnt pass, but none are sent to it. They go to loyal, the earlier source, or else to
	// expected.
	receiveOnly bool
	sendTo      netip.AddrPort
	// confirmed: a packet from learnt has arrived since latching last restarted; first is when
	confirmed     bool
	first         time.Time
	lastPacket    time.Time // time of the last packet from learnt
	last          packetRun // of the last RTP packet from learnt
	contested     bool      // two sources at unknown hosts claimed the flow
	ignoresSource bool      // a source at an unknown host was ignored, and that was reported
	old           netip.AddrPort
	oldUntil      time.Time // until then packets from old, the previous source, pass
	candidates    [maxCandidates]candidate
}

// candidate is a source that may become the learnt one.
type candidate struct {
	from           netip.AddrPort
	packetRun      packetRun
	seen           int
	last, progress time.Time
}

// packetRun identifies consecutive packets: a source, and a number that rises by one. The zero value belongs to no run.
type packetRun struct {
	is, rtp bool
	pt      uint8
	source  uint32
	seq     uint16
	time    uint32 // RTP's timestamp
}

// sideTrust is what is known of a side apart from the addresses in its SDP. Guarded by the lock of its end.
type sideTrust struct {
	networks       []netip.Prefix // networks that the user trusts, set once
	signalling     netip.Addr     // host of the side's signalling; zero if not known
	types          PayloadTypes   // negotiated
	answered       bool           // an offer was answered
	unreachable    bool           // the system has no route to the address in the SDP
	emergencySince time.Time      // start of an answered emergency call; zero if this is none
	silenceLimit   time.Duration  // for an emergency call: how long a side may be silent
}

// mayBeAt reports whether a host is trusted: it is the host of the signalling, or in one of the user's networks.
func (t *sideTrust) mayBeAt(host netip.Addr) bool {
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

// unusableAddress reports whether packets cannot be sent to the address in the SDP: it has no route, or it is private
// (RFC 1918, RFC 3927, RFC 4193, RFC 6598) and the signalling comes from elsewhere.
func (t *sideTrust) unusableAddress(said netip.Addr) bool {
	return t.unreachable || said.IsValid() && said != t.signalling &&
		(said.IsPrivate() || said.IsLinkLocalUnicast() || shared.Contains(said))
}

// shared is the address space between a provider and its customers' NATs (RFC 6598).
var shared = netip.MustParsePrefix("100.64.0.0/10")

// relaxed reports whether any source is accepted: in an answered emergency call, after this side has been silent for
// silenceLimit.
func (t *sideTrust) relaxed(heard, now time.Time) bool {
	return !t.emergencySince.IsZero() && now.Sub(t.emergencySince) >= t.silenceLimit && now.Sub(heard) >= t.silenceLimit
}

// target returns the destination of packets.
func (p *peer) target() netip.AddrPort {
	switch {
	case p.learnt.IsValid() && !p.receiveOnly:
		return p.learnt
	case p.receiveOnly && p.sendTo.IsValid():
		return p.sendTo
	}
	return p.expected
}

// expect sets the address from SDP. If the address has changed, latching restarts. But a source that was learnt before
// any address was known stays if its host is the same.
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

// review allows sending to the learnt source if its host has become known since it was learnt.
func (p *peer) review(t *sideTrust) {
	if p.standing(p.learnt, t) > unknownHost {
		p.receiveOnly = false
	}
}

// forget removes the learnt source. The other fields about a source count only while one is learnt.
func (p *peer) forget() { p.learnt, p.sendTo = netip.AddrPort{}, netip.AddrPort{} }

// restartLatching restarts latching with the same SDP. Until the previous source sends again, a source of the same
// standing may replace it at once. A source to which nothing is sent, because there was no answer yet, is removed.
func (p *peer) restartLatching(now time.Time) {
	p.confirmed, p.contested, p.ignoresSource, p.candidates = false, false, false, [maxCandidates]candidate{}
	if p.receiveOnly {
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
	case t.mayBeAt(from.Addr()):
		return trustedHost
	}
	return unknownHost
}

func (p *peer) learn(from netip.AddrPort, r packetRun, now time.Time) {
	p.learnt, p.receiveOnly, p.sendTo, p.confirmed, p.first, p.lastPacket, p.last = from, false, netip.AddrPort{}, true,
		now, now,
		r
}

// replace learns a source in place of the learnt one. If nothing was sent to the old source, nothing is sent to the new
// one.
func (p *peer) replace(from netip.AddrPort, r packetRun, now time.Time) {
	oneWay, loyal := p.receiveOnly, p.sendTo
	p.learn(from, r, now)
	p.receiveOnly, p.sendTo = oneWay, loyal
}

// accept decides about a packet on the RTP port, and learns its source.
//
// The address in the SDP, its host, the host of the side's signalling and the hosts in the user's networks are learnt
// from their first packet; the one with the higher standing wins. After that, only packets from the learnt source pass,
// with three exceptions. The first is new SDP or a source of higher standing. The second: the learnt source was silent
// for silentFor, and a source at one of those hosts, or at the learnt host, sends probationPackets in a row. The third:
// the learnt stream itself continues from another address. A source at an unknown host is learnt only by the rules of
// judgeUnknownHost.
func (p *peer) accept(from netip.AddrPort, r packetRun, now time.Time, t *sideTrust) decision {
	if from == p.learnt {
		if !p.confirmed {
			p.confirmed, p.first = true, now
		}
		if p.lastPacket = now; r.rtp {
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
	case rank > unknownHost && !r.is: // RTCP shows which host sends, but not from which port RTP comes
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
		if now.Sub(p.lastPacket) < silentFor {
			return unknownSource
		}
		if v, ok := p.countCandidate(from, r, now, probationPackets); !ok {
			return v
		}
		p.replace(from, r, now)
		return passes
	}
	return p.judgeUnknownHost(from, r, now, t)
}

// judgeUnknownHost decides about a packet from an unknown host. Such a source is learnt if the SDP is misleading.
// Before any answer it is learnt too, but nothing is sent to it. In both cases it needs unknownPackets of a negotiated
// type in a row, and it must be the only one. In a silent emergency call (relaxed), probationPackets of any type are
// enough.
//
// If two sources qualify, neither is followed until SDP or an answer restarts latching. The second may qualify while
// the first is new, or once the first is silent. A silent source to which nothing is sent may be replaced by another,
// because announcements come one after the other.
func (p *peer) judgeUnknownHost(from netip.AddrPort, r packetRun, now time.Time, t *sideTrust) decision {
	if t.relaxed(p.lastPacket, now) {
		if v, ok := p.countCandidate(from, r, now, probationPackets); !ok {
			return v
		}
		loyal := p.sendTo
		if p.standing(p.learnt, t) > unknownHost { // it may only be silent, and somebody may listen there
			loyal = p.learnt
		}
		p.learn(from, r, now)
		p.receiveOnly, p.sendTo = loyal.IsValid(), loyal
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
	if had && p.confirmed && !(p.receiveOnly && now.Sub(p.lastPacket) >= silentFor) {
		p.forget()
		p.contested = true
		return competes
	}
	p.learn(from, r, now)
	p.receiveOnly = !misled
	return passes
}

// mayCompete reports whether a source at an unknown host may compete with the learnt source.
func (p *peer) mayCompete(now time.Time, t *sideTrust) bool {
	switch {
	case p.standing(p.learnt, t) > unknownHost:
		return false
	case !p.confirmed:
		return true
	}
	return t.emergencySince.IsZero() && (now.Sub(p.first) < silentFor || now.Sub(p.lastPacket) >= silentFor)
}

// continuesStream reports whether a packet continues the learnt stream: it has the same SSRC, and the sequence number
// and timestamp that the stream would have reached by now.
func (p *peer) continuesStream(r packetRun, now time.Time) bool {
	ahead, units, elapsed := r.seq-p.last.seq, int64(int32(r.time-p.last.time)), now.Sub(p.lastPacket)
	return r.rtp && p.last.rtp && r.source == p.last.source && ahead >= 1 && ahead < maxDropout &&
		units >= int64((elapsed-driftAllowed).Seconds()*slowestClock) &&
		units <= int64((elapsed+driftAllowed).Seconds()*fastestClock)
}

// move learns the new address of the learnt stream. Packets from the old address still pass for relearnAfter.
func (p *peer) move(from netip.AddrPort, r packetRun, now time.Time) decision {
	if _, ok := p.countCandidate(from, r, now, probationPackets); !ok {
		return unknownSource
	}
	p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
	p.replace(from, r, now)
	return passes
}

// countCandidate counts a packet of a candidate. It reports whether the candidate has sent enough packets in a row.
func (p *peer) countCandidate(from netip.AddrPort, r packetRun, now time.Time, enough int) (v decision, ok bool) {
	c := p.candidate(from, now)
	if c == nil {
		return unproven, false
	}
	step := r.seq - c.packetRun.seq
	switch {
	case c.seen == 0 || r.source != c.packetRun.source || step > probationGap || now.Sub(c.last) >= silentFor:
		c.seen = 1
	case step == 0: // duplicated on the way
		return unproven, false
	default:
		c.seen, c.progress = c.seen+1, now
	}
	c.packetRun, c.last = r, now
	if c.seen < enough {
		return unproven, false
	}
	*c = candidate{}
	return passes, true
}

// candidate returns the entry of a source. It makes one if there is room, else it returns nil.
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

// acceptReport decides about a packet on the RTCP port. Its host has to be one from which RTP comes or may come. There
// are too few RTCP packets for a probation.
func (p *peer) acceptReport(from netip.AddrPort, rtp *peer, now time.Time, t *sideTrust) decision {
	if from == p.learnt {
		p.lastPacket, p.confirmed = now, true
		return passes
	}
	rank, was := p.reporter(from, rtp, t), p.reporter(p.learnt, rtp, t)
	switch {
	case rank == unknownHost:
		return unknownSource
	case !p.learnt.IsValid() || rank > was || rank == was && !p.confirmed:
	case now.Sub(p.lastPacket) < silentReports:
		return unknownSource
	}
	p.learn(from, packetRun{}, now)
	return passes
}

// reporter returns the standing of a source of RTCP.
func (p *peer) reporter(from netip.AddrPort, rtp *peer, t *sideTrust) standing {
	s, host := p.standing(from, t), from.Addr()
	if host.IsValid() && (host == rtp.expected.Addr() || !rtp.receiveOnly && host == rtp.learnt.Addr()) {
		return max(s, signalledHost)
	}
	return s
}
