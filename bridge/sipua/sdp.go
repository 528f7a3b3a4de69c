package sipua

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/pion/sdp/v3"
	"go.uber.org/zap"

	"clearback/bridge/media"
)

// Why a body cannot pass a relaying line.
var (
	// errSession: the session description cannot be understood or asks for what cannot be relayed. 488.
	errSession = errors.New("session description not acceptable")
	// errBodyType: a body in which addresses cannot be replaced. 415.
	errBodyType = errors.New("body type not acceptable")
	// errPorts: no media ports are left. 503.
	errPorts = errors.New("no media ports left; widen media.ports")
)

// refusal is the answer to a request whose body cannot pass.
func refusal(err error) (code int, reason string, headers []sip.Header) {
	switch {
	case errors.Is(err, errBodyType):
		return sip.StatusUnsupportedMediaType, "Unsupported Media Type", []sip.Header{sip.NewHeader("Accept", "application/sdp")}
	case errors.Is(err, errPorts):
		return sip.StatusServiceUnavailable, "Service Unavailable", nil
	}
	return sip.StatusNotAcceptableHere, "Not Acceptable Here", nil
}

// mediaPath is the way of a call's media: through our own ports, or directly between the two ends.
// It is owned by the call's mailbox (and by accept, before there is one).
type mediaPath struct {
	relay     bool
	emergency bool
	ports     *media.Relay
	sessions  []*media.Session // by place of the m= line, nil where none is relayed
	sent      [2]description   // by the side that it went to
}

// description is a session description as it was sent.
type description struct {
	body []byte
	kind string
}

// lastSent is the session description that went to that side last, and its Content-Type; nil if none did. Sent again with its
// version unchanged it refreshes a session and changes nothing (RFC 3264 section 8, RFC 4028 section 7.4).
func (p *mediaPath) lastSent(to media.Side) (body []byte, contentType string) {
	return p.sent[to].body, p.sent[to].kind
}

// translate returns the body of a message from one side as the other side is to see it. In an emergency call whatever
// cannot be relayed passes unchanged, and the media then goes directly.
func (p *mediaPath) translate(m sip.Message, from media.Side) ([]byte, error) {
	body, err := p.towards(m, from)
	if kind := contentType(m); err == nil && len(body) > 0 && kind == "application/sdp" {
		p.sent[other(from)] = description{body: body, kind: kind}
	}
	return body, err
}

func (p *mediaPath) towards(m sip.Message, from media.Side) ([]byte, error) {
	body := m.Body()
	if !p.relay || len(body) == 0 {
		return body, nil
	}
	kind := contentType(m)
	if strings.HasPrefix(kind, "multipart/") && !p.emergency {
		return nil, fmt.Errorf("%w: %s", errBodyType, kind)
	}
	if kind != "application/sdp" {
		return body, nil
	}
	out, err := p.rewrite(body, from)
	if err != nil && p.emergency {
		if p.heardNobody() {
			p.close(zap.NewNop())
			p.relay = false
		}
		return body, nil
	}
	return out, err
}

func contentType(m sip.Message) string {
	for _, h := range m.GetHeaders("Content-Type") {
		kind, _, _ := strings.Cut(h.Value(), ";")
		return strings.ToLower(strings.TrimSpace(kind))
	}
	return "application/sdp" // a body without a type in a request that may carry one
}

// rewrite puts our own addresses and ports into a session description.
func (p *mediaPath) rewrite(body []byte, from media.Side) ([]byte, error) {
	text := string(body)
	if !strings.HasSuffix(text, "\n") {
		text += "\r\n"
	}
	var d sdp.SessionDescription
	if err := d.UnmarshalString(text); err != nil {
		return nil, fmt.Errorf("%w: %w", errSession, err)
	}
	var own netip.Addr
	wanted, relayed := 0, 0
	for i, m := range d.MediaDescriptions {
		if m.MediaName.Port.Value == 0 {
			cleanMedia(m)
			m.ConnectionInformation = nil
			continue
		}
		wanted++
		if m.MediaName.Media != "audio" {
			m.MediaName.Port = sdp.RangedPort{} // refused (RFC 3264 section 5.1)
			cleanMedia(m)
			m.ConnectionInformation = nil
			continue
		}
		local, err := p.relayStream(i, m, &d, from)
		if err != nil {
			return nil, err
		}
		own = local
		relayed++
	}
	if wanted > 0 && relayed == 0 {
		return nil, fmt.Errorf("%w: no audio stream in it", errSession)
	}
	if !own.IsValid() {
		own = netip.IPv4Unspecified()
	}
	d.Origin.Username, d.Origin.NetworkType, d.Origin.AddressType, d.Origin.UnicastAddress = "-", "IN", family(own), own.String()
	d.ConnectionInformation = connection(own)
	d.Attributes = slices.DeleteFunc(d.Attributes, local)
	out, err := d.Marshal()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errSession, err)
	}
	return out, nil
}

// relayStream puts the session of one audio stream into its m= line and tells it where that side receives.
func (p *mediaPath) relayStream(i int, m *sdp.MediaDescription, d *sdp.SessionDescription, from media.Side) (netip.Addr, error) {
	c := m.ConnectionInformation
	if c == nil {
		c = d.ConnectionInformation
	}
	if c == nil || c.Address == nil {
		return netip.Addr{}, fmt.Errorf("%w: no connection line", errSession)
	}
	addr, err := netip.ParseAddr(c.Address.Address)
	if err != nil || m.MediaName.Port.Value < 1 || m.MediaName.Port.Value > 65535 {
		return netip.Addr{}, fmt.Errorf("%w: stream at %s port %d", errSession, c.Address.Address, m.MediaName.Port.Value)
	}
	s, err := p.session(i)
	if err != nil {
		return netip.Addr{}, err
	}
	held := addr.IsUnspecified() // the old form of hold (RFC 3264 section 8.4)
	if !held {
		rtp := netip.AddrPortFrom(addr, uint16(m.MediaName.Port.Value))
		s.Expect(from, rtp, rtcpOf(m, rtp))
	}
	own := s.Local(other(from))
	m.MediaName.Port = sdp.RangedPort{Value: int(own.Port())}
	m.ConnectionInformation = nil
	if held {
		m.ConnectionInformation = connection(netip.IPv4Unspecified())
	}
	cleanMedia(m)
	return own.Addr(), nil
}

func (p *mediaPath) session(i int) (*media.Session, error) {
	for len(p.sessions) <= i {
		p.sessions = append(p.sessions, nil)
	}
	if p.sessions[i] == nil {
		s, err := p.ports.NewSession()
		if err != nil {
			return nil, fmt.Errorf("%w: %w", errPorts, err)
		}
		p.sessions[i] = s
	}
	return p.sessions[i], nil
}

// rtcpOf is where that side receives RTCP: a=rtcp (RFC 3605), or the next port.
func rtcpOf(m *sdp.MediaDescription, rtp netip.AddrPort) netip.AddrPort {
	rtcp := netip.AddrPortFrom(rtp.Addr(), rtp.Port()+1)
	v, ok := m.Attribute("rtcp")
	if !ok {
		return rtcp
	}
	fields := strings.Fields(v)
	if len(fields) == 0 {
		return rtcp
	}
	if port, err := strconv.ParseUint(fields[0], 10, 16); err == nil && port > 0 {
		rtcp = netip.AddrPortFrom(rtcp.Addr(), uint16(port))
	}
	if len(fields) == 4 {
		if addr, err := netip.ParseAddr(fields[3]); err == nil && !addr.IsUnspecified() {
			rtcp = netip.AddrPortFrom(addr, rtcp.Port())
		}
	}
	return rtcp
}

func cleanMedia(m *sdp.MediaDescription) { m.Attributes = slices.DeleteFunc(m.Attributes, local) }

// local tells the attributes that speak of one side's own addresses, which the other side never reaches: RTCP's place
// (RFC 3605), RTCP on the RTP port (RFC 5761; our RTCP port is the next one) and everything of ICE (RFC 8839).
func local(a sdp.Attribute) bool {
	switch a.Key {
	case "rtcp", "rtcp-mux", "rtcp-mux-only", "candidate", "remote-candidates", "end-of-candidates",
		"ice-ufrag", "ice-pwd", "ice-options", "ice-lite", "ice-mismatch", "ice-pacing":
		return true
	}
	return false
}

func connection(addr netip.Addr) *sdp.ConnectionInformation {
	return &sdp.ConnectionInformation{NetworkType: "IN", AddressType: family(addr), Address: &sdp.Address{Address: addr.String()}}
}

func family(addr netip.Addr) string {
	if addr.Unmap().Is4() {
		return "IP4"
	}
	return "IP6"
}

// heard is when the last packet came from that side, in any stream; the zero time if never or if media goes directly.
func (p *mediaPath) heard(side media.Side) time.Time {
	var last time.Time
	for _, s := range p.sessions {
		if s != nil {
			if t := s.LastHeard(side); t.After(last) {
				last = t
			}
		}
	}
	return last
}

func (p *mediaPath) heardNobody() bool {
	return p.heard(media.AdapterSide).IsZero() && p.heard(media.ServiceSide).IsZero()
}

// close frees the ports.
func (p *mediaPath) close(log *zap.Logger) {
	for _, s := range p.sessions {
		if s == nil {
			continue
		}
		if err := s.Close(); err != nil {
			log.Warn("media ports could not be freed", zap.Error(err))
		}
	}
	p.sessions = nil
}
