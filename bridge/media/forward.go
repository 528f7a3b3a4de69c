package media

import (
	"errors"
	"net"
	"net/netip"
	"time"

	"github.com/pion/rtp"
)

const (
	// bufferSize holds any packet of an Ethernet path (1500 bytes) with room; one that fills it may have been cut and is dropped.
	bufferSize = 2048
	// afterError keeps a socket whose reads fail from taking a whole core.
	afterError = time.Millisecond
)

// forward passes on what comes to one socket, until it is closed. Nothing in it allocates for a valid packet.
func (s *Session) forward(from Side, f flowKind) {
	in, out := s.conns[from][f], s.conns[1-from][f]
	src, dst := &s.ends[from], &s.ends[1-from]
	buf := make([]byte, bufferSize)
	var h rtp.Header
	for {
		n, addr, err := in.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(afterError)
			continue
		}
		k := kindInvalid
		if n < len(buf) {
			k = classify(buf[:n], f, &h)
		}
		if !src.take(k, f, addr, n, &h, s) {
			continue
		}
		to := dst.target(f)
		if !to.IsValid() {
			src.unsent()
			continue
		}
		// An error is one packet's: the other side may be unreachable for a while, the next packet tries again.
		if _, err = out.WriteToUDPAddrPort(buf[:n], to); err != nil {
			src.unsent()
		}
	}
}

// take counts a packet that came from this side and tells whether it passes.
func (e *end) take(k kind, f flowKind, from netip.AddrPort, n int, h *rtp.Header, s *Session) bool {
	now := time.Now()
	e.mu.Lock()
	defer e.mu.Unlock()
	if k == kindInvalid {
		e.stats.Invalid++
		return false
	}
	if !e.peers[f].accept(from, now) {
		e.stats.Strangers++
		return false
	}
	e.heard = now
	if k == kindRTCP {
		e.stats.RTCPPackets++
		return true
	}
	e.stats.Packets++
	e.stats.Bytes += uint64(n)
	e.rtp.take(h.SSRC, h.SequenceNumber, h.Timestamp, units(now.Sub(s.began), s.relay.clock))
	return true
}

func (e *end) unsent() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.stats.Unsent++
}

// target is where packets to this side go; zero if nobody said and nothing was heard.
func (e *end) target(f flowKind) netip.AddrPort {
	e.mu.Lock()
	defer e.mu.Unlock()
	to := e.peers[f].target()
	if to.IsValid() || f == rtpFlow {
		return to
	}
	if to = e.peers[rtpFlow].target(); to.IsValid() && to.Port() < 65535 {
		return netip.AddrPortFrom(to.Addr(), to.Port()+1)
	}
	return netip.AddrPort{}
}

func (p *peer) target() netip.AddrPort {
	if p.learnt.IsValid() {
		return p.learnt
	}
	return p.expected
}

// expect takes a new address from SDP; if it is another one than before, the source is learnt again.
func (p *peer) expect(a netip.AddrPort, now time.Time) {
	if a == p.expected {
		return
	}
	if p.expected.IsValid() {
		p.old, p.oldUntil = p.learnt, now.Add(relearnAfter)
		p.learnt = netip.AddrPort{}
	}
	p.expected = a
}

// accept tells whether a valid packet from there is this peer's, and learns.
func (p *peer) accept(from netip.AddrPort, now time.Time) bool {
	switch {
	case from == p.learnt:
		return true
	case !p.learnt.IsValid():
		if from == p.old && from != p.expected && now.Before(p.oldUntil) {
			return true
		}
		p.learnt = from
		return true
	case from == p.expected && from.Addr() != p.learnt.Addr():
		p.learnt = from
		return true
	}
	return false
}
