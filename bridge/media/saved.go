package media

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"time"

	"clearback/bridge/localaddr"
)

// SavedSession is what another process needs to continue a session, by [Side].
type SavedSession [2]SavedSide

// SavedSide is one side of a [SavedSession].
type SavedSide struct {
	Local netip.AddrPort // our RTP address towards the side; RTCP uses the next port
	// RTP and RTCP are the sources to which packets for the side are sent; zero if none was learnt.
	RTP, RTCP netip.AddrPort
}

// Saved returns the present state of the session.
func (s *Session) Saved() (saved SavedSession) {
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		saved[i] = SavedSide{Local: s.local[i][rtpFlow], RTP: e.peers[rtpFlow].followed(),
			RTCP: e.peers[rtcpFlow].followed()}
		e.mu.Unlock()
	}
	return saved
}

// Resume opens a session on the addresses and ports of a saved one, whatever the relay's own are now. On Linux the
// machine need not have the addresses yet. Resume fails if the ports cannot be bound, for example because another
// process uses them. Set what the session descriptions said ([Session.Expect] and the rest) before [Session.Follow],
// which begins to read: by then packets may wait in the ports.
func (r *Relay) Resume(saved SavedSession) (*Session, error) {
	waited := false
	bind := func(at netip.AddrPort) (*net.UDPConn, error) {
		if c := r.kept.TakeUDP(at); c != nil {
			waited = true
			return c, nil
		}
		return bindOne(localaddr.ListenConfig(at.Addr()), at)
	}
	s, err := newSession(r, func(side Side) ([2]*net.UDPConn, error) {
		at := saved[side].Local
		if at.Port() == 0 || at.Port()%2 != 0 || !at.Addr().IsValid() {
			return [2]*net.UDPConn{}, fmt.Errorf("media: %v is no address of a stream", at)
		}
		return bindPair(at, bind)
	})
	if err != nil {
		return nil, err
	}
	s.waited = waited
	if err := r.add(s, false); err != nil {
		return nil, err
	}
	return s, nil
}

// Leave is Close for a process that leaves its sessions to another one: the ports are kept, and what arrives from now
// on waits there. What was read is sent on first.
func (r *Relay) Leave() error { return r.closeAll((*Session).leave) }

func (s *Session) leave() error {
	var errs []error
	s.leaving.Store(true)
	for _, side := range s.conns {
		for _, c := range side {
			errs = append(errs, s.relay.kept.Keep(c), c.SetReadDeadline(time.Unix(1, 0)))
		}
	}
	s.running.Wait()
	return errors.Join(append(errs, s.Close())...)
}

// Follow continues with the sources of a saved session. A source of the same standing may replace one of them at once,
// until it has sent again. Call it once after [Relay.Resume].
func (s *Session) Follow(saved SavedSession) {
	for i, side := range saved {
		e := &s.ends[i]
		e.mu.Lock()
		for f, at := range [2]netip.AddrPort{rtpFlow: s.reachable(side.RTP), rtcpFlow: s.reachable(side.RTCP)} {
			if p := &e.peers[f]; at.IsValid() {
				p.learn(at, packetRun{}, time.Time{})
				p.confirmed = false
			}
		}
		if e.resumedFrom = e.peers[rtpFlow].learnt; !e.resumedFrom.IsValid() {
			e.resumedFrom = e.peers[rtpFlow].expected
		}
		e.mu.Unlock()
	}
	s.relay.mu.Lock()
	defer s.relay.mu.Unlock()
	if !s.relay.closed {
		s.start()
	}
}

// Resumed reports whether RTP has come from a side since [Session.Follow], from the address that it came from before.
// What had waited in the sockets does not count: its sender may be gone.
func (s *Session) Resumed(side Side) bool {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.resumed
}

// followed is the learnt source if packets are sent to it.
func (p *peer) followed() netip.AddrPort {
	if p.receiveOnly {
		return netip.AddrPort{}
	}
	return p.learnt
}

// add takes a new session in. If start is false, Follow starts it.
func (r *Relay) add(s *Session, start bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return errors.Join(ErrClosed, s.closeSockets())
	}
	r.sessions[s] = struct{}{}
	r.ended.Sessions++
	if start {
		s.start()
	}
	return nil
}
