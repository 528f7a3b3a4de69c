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
	// bufferSize holds any packet of an Ethernet path (1500 bytes) with room to spare. A packet that fills the buffer
	// may have been cut, so it is dropped.
	bufferSize = 2048
	// afterError is the pause after a read error. It keeps a socket whose reads fail from using a whole core.
	afterError = time.Millisecond
	// floodBatch is how many packets are dropped before other goroutines run, so that a flood at one port does not
	// delay other streams.
	floodBatch = 16
)

// forward relays what arrives at one socket, until the socket is closed. It allocates nothing for a valid packet.
func (s *Session) forward(from Side, f flowKind) {
	in, src := s.conns[from][f], &s.ends[from]
	buf := make([]byte, bufferSize)
	p := packet{waited: s.waited}
	for dropped := 0; ; {
		if p.waited {
			p.waited = !isEmpty(in)
		}
		n, addr, err := in.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) || err != nil && s.leaving.Load() {
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
		out, to := s.way(1-from, f)
		if !to.IsValid() {
			src.unsent()
			continue
		}
		// An error concerns one packet: the other side may be unreachable for some time, and the next packet tries
		// again.
		if _, err = out.WriteToUDPAddrPort(buf[:n], to); err != nil {
			src.unsent()
		}
		if f == rtpFlow {
			s.ends[1-from].routed(to, err)
		}
	}
}

// isEmpty reports whether nothing waits in a socket.
func isEmpty(c *net.UDPConn) (empty bool) {
	raw, err := c.SyscallConn()
	if err != nil {
		return false
	}
	_ = raw.Control(func(fd uintptr) { // fails only if the socket is closed
		_, _, err := syscall.Recvfrom(int(fd), make([]byte, 1), syscall.MSG_PEEK|syscall.MSG_DONTWAIT)
		empty = errors.Is(err, syscall.EAGAIN)
	})
	return empty
}

// take counts a packet that arrived from a side. It reports whether the packet passes.
func (s *Session) take(e *end, f flowKind, from netip.AddrPort, b []byte, p *packet) bool {
	pass, told := e.take(f, from, b, p, s)
	if told != nil {
		told()
	}
	return pass
}

// take is Session.take under the lock. told is to be called after the lock has been released; it may be nil.
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
	case unproven:
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
	e.lastPacket = now
	switch p.kind {
	case kindRTCP:
		e.stats.RTCPPackets++
		e.stats.countReports(b, e.payload.Clear)
	case kindRTP:
		e.resumed = e.resumed || from == e.resumedFrom && !p.waited
		// A notice is given only once, so it comes before a flash.
		if flash := e.measure(p, b, now, now.Sub(s.began)); flash && told == nil {
			told = e.payload.Flash
		}
	case kindDatagram:
		e.stats.Datagrams++
		e.stats.Fax++
		e.stats.LastMedia = now
	default:
		e.stats.Datagrams++
	}
	return true, told
}

// noticeCall returns a call of the notice function, or nil if there is none. It allocates, so it is only for rare
// events.
func (e *end) noticeCall(n Notice, from netip.AddrPort) func() {
	if e.notice == nil {
		return nil
	}
	notice := e.notice
	return func() { notice(n, from) }
}

// routed records whether the system has a route to the address in the SDP.
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

// way returns the socket and the address for packets of a flow to a side. The address is zero if the SDP has given none
// and no packet has arrived.
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
