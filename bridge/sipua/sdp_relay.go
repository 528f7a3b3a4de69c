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

// Why a body cannot pass a relaying line.
var (
	// errSession: the session description cannot be understood or asks for what cannot be relayed. 488.
	errSession = errors.New("session description not acceptable")
	// errBodyType: a body in which addresses cannot be replaced. 415.
	errBodyType = errors.New("body type not acceptable")
	// errPorts: no media ports could be opened; what it wraps says why, and what to do. 503.
	errPorts = errors.New("no media port could be opened")
)

const sdpType = "application/sdp"

// bodyRefusal is the answer to a request whose body cannot pass.
func bodyRefusal(err error) (code int, reason string, headers []sip.Header) {
	switch {
	case errors.Is(err, errBodyType):
		return sip.StatusUnsupportedMediaType, "Unsupported Media Type", []sip.Header{sip.NewHeader("Accept", sdpType)}
	case errors.Is(err, errPorts):
		return sip.StatusServiceUnavailable, "Service Unavailable", nil
	}
	return sip.StatusNotAcceptableHere, "Not Acceptable Here", nil
}

// mediaPath is the way of a call's media: through our own ports, or directly between the two ends.
// It is owned by the call's mailbox (and by accept, before there is one).
type mediaPath struct {
	relay            bool
	emergency        bool
	ports            *media.Relay
	flash            func() // reports a hook flash in the adapter's RTP; may be nil
	notice           func(media.Side, media.Notice, netip.AddrPort)
	from             [2]netip.Addr              // where each side's signalling comes from
	streams          []*stream                  // by place of the m= line
	sentDescriptions [2]sentDescription         // by the side that it went to
	pendingOffer     *pendingOffer              // the last offer, until its answer is final
	begun            bool                       // there was a final answer
	silenceLimit     time.Duration              // with the silence of an answered emergency call; 0: it is none
	changed          time.Time                  // when a side got another description than before
	reception        func(media.Side) time.Time // of tests; nil: what the streams heard
}

// maxEarly is how many descriptions of early dialogs are remembered towards a side.
const maxEarly = 16

// sentDescription is the session description that a side got last. Ours is an origin of its own towards each side: its
// id stays in a call, whatever fork or transfer the descriptions come from, and its version grows when the rest changes
// (RFC 3264 section 8).
type sentDescription struct {
	body []byte
	kind string
	// of a relayed one
	id, version, highest uint64
	rest                 string            // without the origin
	early                map[string]uint64 // before the first final answer: the versions that were given
}

// pendingOffer is what to go back to if an offer is refused (RFC 3261 section 14.1).
type pendingOffer struct {
	from  media.Side
	sides []streamSide    // of from, by stream
	sent  sentDescription // of the other side
}

// lastSent is the session description that went to that side last, unless it was refused, and its Content-Type; nil if
// there is none. Sent again as it is, it refreshes a session and changes nothing (RFC 3264 section 8, RFC 4028 section
// 7.4).
func (p *mediaPath) lastSent(to media.Side) (body []byte, contentType string) {
	return p.sentDescriptions[to].body, p.sentDescriptions[to].kind
}

// translate returns the body of a message from one side as the other side is to see it. In an emergency call whatever
// cannot be relayed passes unchanged, and the media then goes directly.
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
	if res, ok := m.(*sip.Response); ok && res.StatusCode >= 300 { // what its sender could do (RFC 3261 section 21.4.26), no answer
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

// comesFrom notes where a side's signalling comes from; what it says of its media counts for that host.
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

// answered makes the latching of all streams begin anew.
func (p *mediaPath) answered() {
	for _, s := range p.streams {
		if s.session != nil {
			s.session.Answered()
		}
	}
}

// offerState tells what the description in m is to the offer before it: what p.asked has to be after it, and whether it
// is the final answer.
func (p *mediaPath) offerState(m sip.Message, from media.Side) (asked *pendingOffer, answer bool) {
	mine := p.pendingOffer != nil && p.pendingOffer.from == other(from) // the other side asked
	switch m := m.(type) {
	case *sip.Response:
		switch {
		case !mine:
			return p.pendingOffer, false // an offer in a response is not refused
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

// rejectOffer takes an offer of that side back: its re-INVITE or UPDATE got a failure, and everything stays as it was.
func (p *mediaPath) rejectOffer(from media.Side) {
	o := p.pendingOffer
	if o == nil || o.from != from {
		return
	}
	p.pendingOffer = nil
	to := &p.sentDescriptions[other(from)]
	to.body, to.kind = o.sent.body, o.sent.kind
	to.rest, to.version = "", o.sent.version // what was refused had the version that comes next, and whatever follows gets another
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
	return sdpType // a body without a type in a request that may carry one
}

// rewrite puts our own addresses and ports into a session description.
func (p *mediaPath) rewrite(body []byte, from media.Side) ([]byte, error) {
	d, err := parseSDP(body)
	if err != nil {
		return nil, err
	}
	said, err := p.read(d, from)
	if err != nil {
		return nil, err
	}
	own, addresses := p.ports.Addr(other(from)), d.addresses()
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
		if said[i].onHold {
			m.lines = append(m.lines, sdpLine{'c', connection(unspecified(own))})
		}
	}
	d.session = append(clean(d.session, addresses), sdpLine{'c', connection(own)})
	return p.finishDescription(d, own, other(from)), nil
}

// read checks all streams of a description before any port is taken.
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
		return nil, fmt.Errorf("%w: no stream in it that can be relayed", errSession)
	}
	return said, nil
}

// finishDescription completes the description's session part and gives it its origin.
func (p *mediaPath) finishDescription(d *sdpText, own netip.Addr, to media.Side) []byte {
	d.session = slices.DeleteFunc(d.session, func(l sdpLine) bool { return l.kind == 'v' || l.kind == 'o' })
	for kind, value := range map[byte]string{'s': "-", 't': "0 0"} { // some devices leave them out (RFC 8866 section 5)
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

// number gives a description its version. Until one is answered for good each fork is a dialog of its own, and what it
// says again is what it said, whatever others said in between.
func (l *sentDescription) number(rest string, begun bool) {
	if l.id == 0 {
		l.id, l.early = uint64(rand.Uint32())|1, map[string]uint64{}
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

// stream returns the stream of the m= line at i, with ports if it is live.
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
	return s, nil
}

// free gives back the ports of streams that neither side wants, or one of them refused. Until an answer is final they
// are kept: another fork may take what the first one refused.
func (p *mediaPath) free() {
	for _, s := range p.streams {
		if s.session != nil && (!s.sides[0].live || !s.sides[1].live) {
			_ = s.session.Close() // sockets that nobody uses any more
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

// unspecified is the address that says nowhere, of the same family.
func unspecified(like netip.Addr) netip.Addr {
	if like.Is4() {
		return netip.IPv4Unspecified()
	}
	return netip.IPv6Unspecified()
}

// setAnsweredEmergency says that this is an answered emergency call.
func (p *mediaPath) setAnsweredEmergency(patience time.Duration) {
	p.silenceLimit = patience
	for _, s := range p.streams {
		if s.session != nil {
			s.session.SetEmergency(patience)
		}
	}
}

// soundless reports whether a side that ought to send was never heard, or none of them was for that long.
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

// lastHeard is when the last packet came from that side, in any stream; the zero time if never or if media goes
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

// close frees the ports.
func (p *mediaPath) close(log *zap.Logger) {
	for _, s := range p.streams {
		if s.session == nil {
			continue
		}
		if err := s.session.Close(); err != nil {
			log.Warn("media ports could not be freed", zap.Error(err))
		}
		s.session = nil
	}
	p.streams = nil
}
