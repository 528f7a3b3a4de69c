package media

import (
	"net/netip"
	"time"
)

const (
	// relearnAfter is how long after an address change the source of before may still send stragglers; they pass, but they do not
	// become the new source. Two seconds are some hundred packets, longer than any path keeps one.
	relearnAfter = 2 * time.Second
	// silentFor is how long the learnt source of RTP has to be silent before another one may take its place without a word in SDP: long
	// enough that nobody takes over in a pause between two words, short enough for a far end that was moved to another port.
	silentFor = 2 * time.Second
	// silentReports is the same for RTCP on a port of its own: three of its intervals of 5 s (RFC 3550 section 6.2).
	silentReports = 15 * time.Second
	// probationPackets in a row make a source that SDP does not name the learnt one. RFC 3550 appendix A.1 has MIN_SEQUENTIAL 2 after
	// the first packet; 3 packets of speech are 60 ms.
	probationPackets = 3
	// probationGap is the largest step of the sequence number that counts as in a row: one may be lost.
	probationGap = 2
	// candidates are watched at a time; one that was silent for candidateIdle makes room. Who sprays from many addresses keeps others from
	// being learnt that SDP does not name, and only those.
	candidates    = 4
	candidateIdle = 250 * time.Millisecond
)

// verdict is what becomes of a packet.
type verdict uint8

const (
	passes verdict = iota
	stranger
	onProbation
)

// peer is where one flow of a side comes from and goes to. Owned by its end's lock.
type peer struct {
	expected netip.AddrPort // the SDP's; zero if not told
	learnt   netip.AddrPort // zero if nothing was heard
	heard    time.Time      // the last packet from learnt
	old      netip.AddrPort // learnt before the last change
	oldUntil time.Time
	trial    [candidates]candidate
}

// candidate is a source that SDP does not name.
type candidate struct {
	from netip.AddrPort
	run  run
	seen int
	last time.Time
}

// run is what makes packets belong together: a source and a number that rises by one. The zero value belongs to none.
type run struct {
	is     bool
	source uint32
	seq    uint16
}

func (p *peer) target() netip.AddrPort {
	if p.learnt.IsValid() {
		return p.learnt
	}
	return p.expected
}

// expect takes a new address from SDP. If it is another one than before, the source is learnt again; so is one that came before any
// address was known and from another host than the SDP names.
func (p *peer) expect(a netip.AddrPort, now time.Time) {
	if a == p.expected {
		return
	}
	switch {
	case p.expected.IsValid():
		p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
		p.learnt = netip.AddrPort{}
	case p.learnt.IsValid() && a.IsValid() && p.learnt.Addr() != a.Addr():
		p.learnt = netip.AddrPort{}
	}
	p.expected = a
}

func (p *peer) learn(from netip.AddrPort, now time.Time) verdict {
	p.learnt, p.heard, p.trial = from, now, [candidates]candidate{}
	return passes
}

// accept judges a packet of RTP, or of what else comes on its port, and learns.
//
// The host that SDP names is learnt from its first packet, at whatever port; while nothing is named, whoever comes first is. Another host is
// learnt after a probation: it may be the same adapter behind a translator, or a stranger who sprays ports. Who was learnt is
// heard alone, until SDP or the host it names says otherwise or it was silent for silentFor.
func (p *peer) accept(from netip.AddrPort, r run, now time.Time) verdict {
	if from == p.learnt {
		p.heard = now
		return passes
	}
	if !p.learnt.IsValid() {
		switch {
		case from == p.old && from != p.expected && now.Before(p.oldUntil):
			return passes
		case !p.expected.IsValid() || from.Addr() == p.expected.Addr():
			return p.learn(from, now)
		}
		return p.try(from, r, now)
	}
	switch {
	case p.expected.IsValid() && from.Addr() == p.expected.Addr() && p.learnt.Addr() != p.expected.Addr():
		return p.learn(from, now)
	case now.Sub(p.heard) < silentFor:
		return stranger
	}
	return p.try(from, r, now)
}

// try counts a packet of a candidate.
func (p *peer) try(from netip.AddrPort, r run, now time.Time) verdict {
	c := p.candidate(from, now)
	if c == nil {
		return onProbation
	}
	step := r.seq - c.run.seq
	if c.run.is && r.is && r.source == c.run.source && step >= 1 && step <= probationGap && now.Sub(c.last) < silentFor {
		c.seen++
	} else {
		c.seen = 1
	}
	c.run, c.last = r, now
	if r.is && c.seen >= probationPackets {
		return p.learn(from, now)
	}
	return onProbation
}

// candidate finds the place of a source, or makes one; nil if there is no room.
func (p *peer) candidate(from netip.AddrPort, now time.Time) *candidate {
	var room *candidate
	for i := range p.trial {
		c := &p.trial[i]
		if c.from == from {
			return c
		}
		if now.Sub(c.last) >= candidateIdle && (room == nil || c.last.Before(room.last)) {
			room = c
		}
	}
	if room != nil {
		*room = candidate{from: from}
	}
	return room
}

// acceptReport judges a packet on the RTCP port. It has to come from the host of RTP, or while that is not known from the one that SDP
// names; reports are too few for a probation.
func (p *peer) acceptReport(from netip.AddrPort, rtp *peer, now time.Time) verdict {
	if from == p.learnt {
		p.heard = now
		return passes
	}
	host, known := p.hosts(rtp)
	switch {
	case known && from.Addr() != host[0] && from.Addr() != host[1]:
		return stranger
	case p.learnt.IsValid() && now.Sub(p.heard) < silentReports && (p.learnt.Addr() == host[0] || p.learnt.Addr() == host[1] || !known):
		return stranger
	}
	return p.learn(from, now)
}

// hosts are where RTCP may come from.
func (p *peer) hosts(rtp *peer) (host [2]netip.Addr, known bool) {
	host = [2]netip.Addr{p.expected.Addr(), rtp.target().Addr()}
	return host, host[0].IsValid() || host[1].IsValid()
}
