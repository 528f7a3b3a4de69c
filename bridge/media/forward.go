package media

import (
	"errors"
	"net"
	"net/netip"
	"runtime"
	"syscall"
	"time"
)

const (
	// bufferSize holds any packet of an Ethernet path (1500 bytes) with room; one that fills it may have been cut and
	// is dropped.
	bufferSize = 2048
	// afterError keeps a socket whose reads fail from taking a whole core.
	afterError = time.Millisecond
	// floodBatch is how many packets in a row are dropped before others get their turn: a flood at one port must not
	// delay other streams.
	floodBatch = 16
)

// forward passes on what comes to one socket, until it is closed. Nothing in it allocates for a valid packet.
func (s *Session) forward(from Side, f flowKind) {
	in, src := s.conns[from][f], &s.ends[from]
	buf := make([]byte, bufferSize)
	var p packet
	for dropped := 0; ; {
		n, addr, err := in.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(afterError)
			continue
		}
		p.kind = kindInvalid
		if n < len(buf) {
			p.read(buf[:n], f, s.admission())
		}
		if !s.take(src, f, addr, buf[:n], &p) {
			if dropped++; dropped%floodBatch == 0 {
				runtime.Gosched()
			}
			continue
		}
		dropped = 0
		out, to := s.way(1-from, f)
		if !to.IsValid() {
			src.unsent()
			continue
		}
		// An error is one packet's: the other side may be unreachable for a while, the next packet tries again.
		if _, err = out.WriteToUDPAddrPort(buf[:n], to); err != nil {
			src.unsent()
		}
		if f == rtpFlow {
			s.ends[1-from].routed(to, err)
		}
	}
}

// take counts a packet that came from a side and reports whether it passes.
func (s *Session) take(e *end, f flowKind, from netip.AddrPort, b []byte, p *packet) bool {
	pass, told := e.take(f, from, b, p, s)
	if told != nil {
		told()
	}
	return pass
}

// take returns what is to be called once the lock is given back, nil if nothing is.
func (e *end) take(f flowKind, from netip.AddrPort, b []byte, p *packet, s *Session) (pass bool, told func()) {
	now := time.Now()
	e.mu.Lock()
	defer e.mu.Unlock()
	if p.kind == kindInvalid {
		e.stats.Invalid++
		return false, nil
	}
	v := passes
	if f == rtpFlow {
		v = e.peers[rtpFlow].accept(from, p.packetRun, now, &e.sideTrust)
	} else {
		v = e.peers[rtcpFlow].acceptReport(from, &e.peers[rtpFlow], now, &e.sideTrust)
	}
	switch v {
	case unknownSource:
		e.stats.UnknownSource++
		return false, nil
	case onProbation:
		e.stats.Probation++
		return false, nil
	case competes:
		e.stats.UnknownSource++
		e.stats.Contests++
		e.reviewLocked()
		return false, e.noticeCall(Contested, from)
	case ignored:
		e.stats.UnknownSource++
		return false, e.noticeCall(Ignored, from)
	case passesRelaxed:
		told = e.noticeCall(Relaxed, from)
	}
	e.heard = now
	switch p.kind {
	case kindRTCP:
		e.stats.RTCPPackets++
	case kindRTP:
		e.stats.Packets++
		e.stats.Bytes += uint64(len(b))
		e.rtp.take(p.header.SSRC, p.header.SequenceNumber, p.header.Timestamp, units(now.Sub(s.began), s.relay.clock))
		if e.flash.take(p, b) {
			told = e.flash.report
		}
	default:
		e.stats.Datagrams++
	}
	return true, told
}

// noticeCall returns the call that notices something, nil if nobody listens. It allocates, and is for what happens
// seldom.
func (e *end) noticeCall(n Notice, from netip.AddrPort) func() {
	if e.notice == nil {
		return nil
	}
	notice := e.notice
	return func() { notice(n, from) }
}

// routed notes whether the system knows a way to the address that SDP names.
func (e *end) routed(to netip.AddrPort, err error) {
	none := errors.Is(err, syscall.ENETUNREACH) || errors.Is(err, syscall.EHOSTUNREACH)
	if err != nil && !none || none == e.unreachable.Load() {
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if to == e.peers[rtpFlow].expected {
		e.unreachable.Store(none)
		e.sideTrust.unreachable = none
	}
}

func (e *end) unsent() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.stats.Unsent++
}

// way is the socket and the address by which packets of a flow go to a side; the address is zero if nobody said and
// nothing was heard.
func (s *Session) way(to Side, f flowKind) (*net.UDPConn, netip.AddrPort) {
	e := &s.ends[to]
	e.mu.Lock()
	defer e.mu.Unlock()
	if f == rtcpFlow && e.mux {
		f = rtpFlow
	}
	out, at := s.conns[to][f], e.peers[f].target()
	if at.IsValid() || f == rtpFlow {
		return out, at
	}
	if at = e.peers[rtpFlow].target(); at.IsValid() && at.Port() < 65535 {
		return out, netip.AddrPortFrom(at.Addr(), at.Port()+1)
	}
	return out, netip.AddrPort{}
}
