package sipua

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
)

// The reasons why a body cannot pass a relaying line.
var (
	// errSession: the session description cannot be parsed, or needs what cannot be relayed. Answered with 488.
	errSession = errors.New("session description not acceptable")
	// errBodyType: the body has a type in which addresses cannot be replaced. Answered with 415.
	errBodyType = errors.New("body type not acceptable")
	// errPorts: no media ports could be opened. The wrapped error says why, and what to do. Answered with 503.
	errPorts = errors.New("no media port could be opened")
)

const sdpType = "application/sdp"

// bodyRefusal returns the response to a request whose body cannot pass.
func bodyRefusal(err error) (code int, reason string, headers []sip.Header) {
	switch {
	case errors.Is(err, errBodyType):
		return sip.StatusUnsupportedMediaType, "Unsupported Media Type", []sip.Header{sip.NewHeader("Accept", sdpType)}
	case errors.Is(err, errPorts):
		return sip.StatusServiceUnavailable, "Service Unavailable", nil
	}
	return sip.StatusNotAcceptableHere, "Not Acceptable Here", nil
}

// mediaPath is the path of a call's media: through our own ports, or directly between the two ends. It is owned by the
// call's mailbox (and by accept before the mailbox runs).
type mediaPath struct {
	relay            bool
	emergency        bool
	ports            *media.Relay
	flash            func() // reports a hook flash in the adapter's RTP; may be nil
	notice           func(media.Side, media.Notice, netip.AddrPort)
	from             [2]netip.Addr              // source of each side's signalling
	streams          []*stream                  // by index of the m= line
	sentDescriptions [2]sentDescription         // by the side that received it
	pendingOffer     *pendingOffer              // the last offer, until it has a final answer
	begun            bool                       // a final answer has come
	silenceLimit     time.Duration              // the silence limit of an answered emergency call; otherwise 0
	changed          time.Time                  // when either side last got a different description
	reception        func(media.Side) time.Time // for tests; nil: the streams' own record
	counts           mediaCounts
}

// maxEarly is how many descriptions of early dialogs are kept for each side.
const maxEarly = 16

// sentDescription is the last session description sent to a side. Towards each side we use an origin of our own. Its id
// stays the same throughout a call, whatever fork or transfer a description comes from. Its version grows when the rest
// changes (RFC 3264 section 8).
type sentDescription struct {
	body []byte
	kind string
	// for a relayed description
	id, version, highest uint64
	rest                 string // without the origin
	// early are the versions already used, before the first final answer
	early map[string]uint64
}

// pendingOffer is the state to restore if an offer is refused (RFC 3261 section 14.1).
type pendingOffer struct {
	from  media.Side
	sides []streamSide    // what the offering side had described, by stream
	sent  sentDescription // what the other side had received
}

// lastSent returns the last session description sent to a side that was not refused, and its Content-Type; nil if there
// is none. Sent again unchanged, it refreshes a session and changes nothing (RFC 3264 section 8, RFC 4028 section 7.4).
func (p *mediaPath) lastSent(to media.Side) (body []byte, contentType string) {
	return p.sentDescriptions[to].body, p.sentDescriptions[to].kind
}

// translate returns the body of a message for the other side. In an emergency call a body that cannot be relayed passes
// unchanged, and the media then goes directly.
func (p *mediaPath) translate(m sip.Message, from media.Side) ([]byte, error) {
	body, kind := m.Body(), contentType(m)
	p.comesFrom(m, from)
	switch {
	case len(body) == 0:
		return body, nil
	case p.relay && strings.HasPrefix(kind, "multipart/") && !p.emergency:
		return nil, fmt.Errorf("%w: %s", errBodyType, kind)
	case p.relay && strings.HasPrefix(kind, "multipart/"):
		begin, end, ok := sdpPart(m)
		if !ok {
			return body, nil
		}
		out, err := p.describe(m, body[begin:end], from)
		return slices.Concat(body[:begin], out, body[end:]), err
	case kind != sdpType:
		return body, nil
	}
	return p.describe(m, body, from)
}

// describe is translate for a session description.
func (p *mediaPath) describe(m sip.Message, body []byte, from media.Side) ([]byte, error) {
	// it describes what its sender could accept (RFC 3261 section 21.4.26), and is not an answer
	if res, ok := m.(*sip.Response); ok && res.StatusCode >= 300 {
		if p.relay {
			return nil, nil
		}
		return body, nil
	}
	asked, answer := p.offerState(m, from)
	if !p.relay {
		if !bytes.Equal(p.sentDescriptions[other(from)].body, body) {
			p.changed = time.Now()
		}
		p.pendingOffer, p.sentDescriptions[other(from)] = asked, sentDescription{body: body, kind: sdpType}
		return body, nil
	}
	out, err := p.rewrite(body, from)
	if err != nil && p.emergency {
		if p.heardNobody() {
			p.close(zap.NewNop())
			p.counts.reset()
			p.relay = false
		}
		to := &p.sentDescriptions[other(from)]
		to.body, to.kind, to.rest = body, sdpType, ""
		return body, nil
	}
	if err != nil {
		return nil, err
	}
	p.pendingOffer = asked
	if answer {
		p.begun = true
		p.sentDescriptions[0].early, p.sentDescriptions[1].early = nil, nil
		p.free()
		p.answered()
	}
	return out, nil
}

// comesFrom notes the source of a side's signalling. The relay accepts that side's media from that host.
func (p *mediaPath) comesFrom(m sip.Message, side media.Side) {
	at, err := addressOf(m.Source())
	if err != nil {
		return
	}
	p.from[side] = at.Unmap()
	for _, s := range p.streams {
		if s.session != nil {
			s.session.Trust(side, p.from[side])
		}
	}
}

// answered restarts the latching of all streams.
func (p *mediaPath) answered() {
	for _, s := range p.streams {
		if s.session != nil {
			s.session.Answered()
		}
	}
}

// offerState returns how the description in m relates to the pending offer: asked is the new value of p.pendingOffer,
// and answer reports whether m is the final answer.
func (p *mediaPath) offerState(m sip.Message, from media.Side) (asked *pendingOffer, answer bool) {
	mine := p.pendingOffer != nil && p.pendingOffer.from == other(from) // the other side made the offer
	switch m := m.(type) {
	case *sip.Response:
		switch {
		case !mine:
			return p.pendingOffer, false // an offer in a response cannot be refused
		case m.IsSuccess():
			return nil, true
		}
		return p.pendingOffer, false
	case *sip.Request:
		if m.Method == sip.ACK {
			return nil, true
		}
	}
	asked = &pendingOffer{from: from, sent: p.sentDescriptions[other(from)]}
	for _, s := range p.streams {
		asked.sides = append(asked.sides, s.sides[from])
	}
	return asked, false
}

// rejectOffer withdraws an offer of that side: its re-INVITE or UPDATE failed, and the session stays as it was.
func (p *mediaPath) rejectOffer(from media.Side) {
	o := p.pendingOffer
	if o == nil || o.from != from {
		return
	}
	p.pendingOffer = nil
	to := &p.sentDescriptions[other(from)]
	to.body, to.kind = o.sent.body, o.sent.kind
	// the refused description used the next version, so the next description must get another
	to.rest, to.version = "", o.sent.version
	for i, s := range p.streams {
		if i < len(o.sides) {
			s.sides[from] = o.sides[i]
		} else {
			s.sides[from] = streamSide{}
		}
		s.apply(p.flash)
	}
	p.free()
}

func contentType(m sip.Message) string {
	for _, h := range m.GetHeaders("Content-Type") {
		kind, _, _ := strings.Cut(h.Value(), ";")
		return strings.ToLower(strings.TrimSpace(kind))
	}
	return sdpType // no type in a request that may carry a description
}

// rewrite replaces the addresses and ports of a session description by our own.
func (p *mediaPath) rewrite(body []byte, from media.Side) ([]byte, error) {
	d, err := parseSDP(body)
	if err != nil {
		return nil, err
	}
	said, err := p.read(d, from)
	if err != nil {
		return nil, err
	}
	own, addresses := p.own(other(from)), d.addresses()
	for i, m := range d.media {
		s, err := p.stream(i, said[i].live)
		if err != nil {
			return nil, err
		}
		s.setSide(from, said[i])
		if !said[i].live {
			m.refuseLine()
			continue
		}
		s.apply(p.flash)
		m.port = int(s.session.Local(other(from)).Port())
		m.lines = clean(m.lines, addresses)
		switch at := s.session.Local(other(from)).Addr(); {
		case said[i].onHold:
			m.lines = append(m.lines, sdpLine{'c', connection(unspecified(at))})
		case at != own: // the relay's address has changed since the call began
			m.lines = append(m.lines, sdpLine{'c', connection(at)})
		}
	}
	d.session = append(clean(d.session, addresses), sdpLine{'c', connection(own)})
	return p.finishDescription(d, own, other(from)), nil
}

// own is our address in descriptions for that side. A call of an earlier process keeps the one that it had.
func (p *mediaPath) own(side media.Side) netip.Addr {
	for _, s := range p.streams {
		if s.session != nil {
			return s.session.Local(side).Addr()
		}
	}
	return p.ports.Addr(side)
}

// read checks all streams of a description before any port is opened.
func (p *mediaPath) read(d *sdpText, from media.Side) ([]streamSide, error) {
	var said []streamSide
	var unreachable error
	wanted, live := 0, 0
	for _, m := range d.media {
		at, err := p.readStream(d, m, from)
		switch {
		case errors.Is(err, errFamily):
			unreachable = err
		case err != nil:
			return nil, err
		}
		if m.port != 0 {
			wanted++
		}
		if at.live {
			live++
		}
		said = append(said, at)
	}
	switch {
	case live > maxStreams:
		return nil, fmt.Errorf("%w: %d streams, more than %d", errSession, live, maxStreams)
	case live == 0 && unreachable != nil:
		return nil, unreachable
	case wanted > 0 && live == 0:
		return nil, fmt.Errorf("%w: it has no stream that can be relayed", errSession)
	}
	return said, nil
}

// finishDescription completes the session part of the description and adds its origin.
func (p *mediaPath) finishDescription(d *sdpText, own netip.Addr, to media.Side) []byte {
	d.session = slices.DeleteFunc(d.session, func(l sdpLine) bool { return l.kind == 'v' || l.kind == 'o' })
	// some devices leave these lines out (RFC 8866 section 5)
	for kind, value := range map[byte]string{'s': "-", 't': "0 0"} {
		if len(find(d.session, kind)) == 0 {
			d.session = append(d.session, sdpLine{kind, value})
		}
	}
	rest, last := d.text(), &p.sentDescriptions[to]
	if rest != last.rest {
		p.changed = time.Now()
	}
	last.number(rest, p.begun)
	origin := fmt.Sprintf("- %d %d %s", last.id, last.version, connection(own))
	d.session = append(d.session, sdpLine{'v', "0"}, sdpLine{'o', origin})
	last.body, last.kind = []byte(d.text()), sdpType
	return last.body
}

// number sets the version of a description. Until there is a final answer, each fork is a dialog of its own, and a
// repeated description keeps its version, whatever came in between.
func (l *sentDescription) number(rest string, begun bool) {
	if l.id == 0 {
		l.id = uint64(rand.Uint32()) | 1
	}
	if l.early == nil { // also after a restart: an id is kept, what forks said is not
		l.early = map[string]uint64{}
	}
	said, again := l.early[rest]
	switch {
	case !begun && again:
		l.version = said
	case rest != l.rest:
		l.highest++
		l.version = l.highest
	}
	if !begun && len(l.early) < maxEarly {
		l.early[rest] = l.version
	}
	l.rest = rest
}

// stream returns the stream of the m= line at index i, with ports if live is true.
func (p *mediaPath) stream(i int, live bool) (*stream, error) {
	for len(p.streams) <= i {
		p.streams = append(p.streams, &stream{})
	}
	s := p.streams[i]
	if live && s.session == nil {
		session, err := p.ports.NewSession()
		if err != nil {
			return nil, fmt.Errorf("%w: %w", errPorts, err)
		}
		s.session = session
		p.connect(i)
	}
	return s, nil
}

// connect tells the session of a stream what is known of the call, and watches it.
func (p *mediaPath) connect(i int) {
	session := p.streams[i].session
	p.counts.add(session)
	for _, side := range [2]media.Side{media.AdapterSide, media.ServiceSide} {
		session.Trust(side, p.from[side])
		if p.notice != nil {
			session.Watch(side, func(n media.Notice, from netip.AddrPort) { p.notice(side, n, from) })
		}
	}
	if p.silenceLimit > 0 {
		session.SetEmergency(p.silenceLimit)
	}
}

// free closes the ports of streams that are not live on both sides. Until there is a final answer they are kept:
// another fork may accept what the first one refused.
func (p *mediaPath) free() {
	for _, s := range p.streams {
		if s.session != nil && (!s.sides[0].live || !s.sides[1].live) {
			_ = s.session.Close() // nobody uses these sockets any more
			p.counts.remove(s.session)
			s.session = nil
		}
	}
}

func connection(addr netip.Addr) string {
	if addr.Is4() {
		return "IN IP4 " + addr.String()
	}
	return "IN IP6 " + addr.String()
}

// unspecified is the unspecified address of the same family.
func unspecified(like netip.Addr) netip.Addr {
	if like.Is4() {
		return netip.IPv4Unspecified()
	}
	return netip.IPv6Unspecified()
}

// setAnsweredEmergency marks the call as an answered emergency call.
func (p *mediaPath) setAnsweredEmergency(patience time.Duration) {
	p.silenceLimit = patience
	for _, s := range p.streams {
		if s.session != nil {
			s.session.SetEmergency(patience)
		}
	}
}

// soundless reports whether a side that should send has never sent sound, or all such sides have been silent for d.
func (p *mediaPath) soundless(now time.Time, d time.Duration) bool {
	silent, heard := false, false
	for _, side := range [2]media.Side{media.AdapterSide, media.ServiceSide} {
		sends, last := false, time.Time{}
		for _, s := range p.streams {
			if s.session == nil || !s.sides[side].live || s.sides[side].sendsNothing {
				continue
			}
			sends = true
			if t := s.session.LastSound(side); t.After(last) {
				last = t
			}
		}
		switch {
		case sends && last.IsZero():
			return true
		case sends:
			silent, heard = silent || now.Sub(last) >= d, heard || now.Sub(last) < d
		}
	}
	return silent && !heard
}

// lastHeard is when the last packet came from that side, in any stream. It is zero if none ever came, or if media goes
// directly.
func (p *mediaPath) lastHeard(side media.Side) time.Time {
	if p.reception != nil {
		return p.reception(side)
	}
	var last time.Time
	for _, s := range p.streams {
		if s.session != nil {
			if t := s.session.LastHeard(side); t.After(last) {
				last = t
			}
		}
	}
	return last
}

func (p *mediaPath) heardNobody() bool {
	return p.lastHeard(media.AdapterSide).IsZero() && p.lastHeard(media.ServiceSide).IsZero()
}

// detach takes the streams from the path. The function that it returns frees their ports, in any goroutine.
func (p *mediaPath) detach() (free func(log *zap.Logger)) {
	streams := p.streams
	p.streams = nil
	return func(log *zap.Logger) {
		for _, s := range streams {
			if s.session == nil {
				continue
			}
			if err := s.session.Close(); err != nil {
				log.Warn("media ports could not be freed", zap.Error(err))
			}
		}
	}
}

// close frees the ports.
func (p *mediaPath) close(log *zap.Logger) { p.detach()(log) }
