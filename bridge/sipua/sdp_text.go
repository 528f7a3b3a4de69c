package sipua

import (
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// The limits of a session description that is relayed. A larger one is refused. Real ones have some 30 lines in 1 kB;
// one with ICE and several streams has a few hundred in 8 kB. Our own numbers.
const (
	maxDescriptionSize  = 16 << 10 // bytes
	maxDescriptionLines = 512
	maxMediaLines       = 32
	maxStreams          = 8 // streams that need ports
)

// sdpLine is one line of a session description (RFC 8866 section 5), without its line end.
type sdpLine struct {
	kind  byte
	value string
}

// sdpText is a session description as lines. It is parsed only as far as relaying needs. Lines may come in any order,
// be missing or be unknown. The values that relaying does not change pass byte for byte.
type sdpText struct {
	session []sdpLine
	media   []*sdpMedia
}

// sdpMedia is an m= line with the lines below it.
type sdpMedia struct {
	media, proto string
	port         int
	formats      string // unparsed
	lines        []sdpLine
}

// parseSDP parses a session description. It must begin with v=0. Lines end with CRLF or LF. Empty lines and lines
// without type and value are left out.
func parseSDP(body []byte) (*sdpText, error) {
	if len(body) > maxDescriptionSize {
		return nil, fmt.Errorf("%w: %d bytes, more than %d", errSession, len(body), maxDescriptionSize)
	}
	d, lines := &sdpText{}, 0
	for raw := range strings.Lines(string(body)) {
		raw = strings.TrimRight(raw, "\r\n")
		if lines++; lines > maxDescriptionLines {
			return nil, fmt.Errorf("%w: more than %d lines", errSession, maxDescriptionLines)
		}
		if strings.ContainsFunc(raw, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }) {
			return nil, fmt.Errorf("%w: control characters in line %d", errSession, lines)
		}
		if len(d.session) == 0 && strings.TrimSpace(raw) != "" && strings.TrimSpace(raw) != "v=0" {
			return nil, fmt.Errorf("%w: it does not begin with v=0", errSession)
		}
		if len(raw) < 2 || raw[1] != '=' {
			continue
		}
		l := sdpLine{kind: raw[0], value: raw[2:]}
		switch {
		case l.kind == 'm':
			m, err := parseMedia(l.value)
			if err != nil {
				return nil, err
			}
			if d.media = append(d.media, m); len(d.media) > maxMediaLines {
				return nil, fmt.Errorf("%w: more than %d m= lines", errSession, maxMediaLines)
			}
		case len(d.media) == 0:
			d.session = append(d.session, l)
		default:
			m := d.media[len(d.media)-1]
			m.lines = append(m.lines, l)
		}
	}
	if len(d.session) == 0 {
		return nil, fmt.Errorf("%w: it is empty", errSession)
	}
	return d, nil
}

// parseMedia parses the value of an m= line (RFC 8866 section 5.14). It rejects several ports in one line.
func parseMedia(value string) (*sdpMedia, error) {
	name, rest, _ := strings.Cut(strings.TrimSpace(value), " ")
	port, rest, _ := strings.Cut(strings.TrimLeft(rest, " "), " ")
	proto, formats, _ := strings.Cut(strings.TrimLeft(rest, " "), " ")
	n, err := strconv.ParseUint(strings.TrimSuffix(port, "/1"), 10, 16)
	if err != nil || name == "" || proto == "" {
		return nil, fmt.Errorf("%w: invalid m=%.60q", errSession, value)
	}
	return &sdpMedia{media: name, port: int(n), proto: proto, formats: formats}, nil
}

// find returns the values of all lines of a kind.
func find(lines []sdpLine, kind byte) []string {
	var all []string
	for _, l := range lines {
		if l.kind == kind {
			all = append(all, l.value)
		}
	}
	return all
}

// attribute returns the value of the first attribute of that name.
func attribute(lines []sdpLine, name string) (value string, ok bool) {
	for _, l := range lines {
		if key, v, _ := strings.Cut(l.value, ":"); l.kind == 'a' && key == name {
			return v, true
		}
	}
	return "", false
}

// broadcast is the limited broadcast address. Media must never be sent there.
var broadcast = netip.AddrFrom4([4]byte{255, 255, 255, 255})

// connectionOf is the address of a stream: its own c= line, or the session's (RFC 8866 section 5.7). A host name is not
// resolved. A multicast group or a range of addresses is not relayed. Telephones send none of these.
func (d *sdpText) connectionOf(m *sdpMedia) (netip.Addr, error) {
	c := find(m.lines, 'c')
	if len(c) == 0 {
		c = find(d.session, 'c')
	}
	if len(c) != 1 {
		return netip.Addr{}, fmt.Errorf("%w: %d connection lines for a stream", errSession, len(c))
	}
	fields := strings.Fields(c[0])
	if len(fields) != 3 || !strings.EqualFold(fields[0], "IN") {
		return netip.Addr{}, fmt.Errorf("%w: invalid c=%.60q", errSession, c[0])
	}
	text, _, _ := strings.Cut(fields[2], "/") // a time to live, which has no meaning for one address
	addr, err := netip.ParseAddr(text)
	if err != nil || addr.Zone() != "" || addr.IsMulticast() || addr.Unmap() == broadcast ||
		strings.Count(fields[2], "/") > 1 {
		return netip.Addr{}, fmt.Errorf("%w: c=%.60q is not the address of one host", errSession, c[0])
	}
	return addr.Unmap(), nil
}

// addresses returns the addresses and host names that the description gives for its sender.
func (d *sdpText) addresses() []string {
	var all []string
	add := func(value string, field int) {
		if fields := strings.Fields(value); len(fields) > field {
			host, _, _ := strings.Cut(fields[field], "/")
			if a, err := netip.ParseAddr(host); err == nil && a.IsUnspecified() || host == "" {
				return
			}
			all = append(all, host)
		}
	}
	for _, l := range d.session {
		switch l.kind {
		case 'o':
			add(l.value, 5)
		case 'c':
			add(l.value, 2)
		}
	}
	for _, m := range d.media {
		for _, c := range find(m.lines, 'c') {
			add(c, 2)
		}
	}
	return all
}

// mentions reports whether one of these addresses occurs in a text as a whole word.
func mentions(text string, addresses []string) bool {
	inside := func(i int) bool {
		return i >= 0 && i < len(text) && (text[i]|0x20 >= 'a' && text[i]|0x20 <= 'z' || text[i] >= '0' &&
			text[i] <= '9')
	}
	for _, a := range addresses {
		for i := 0; ; {
			k := strings.Index(text[i:], a)
			if k < 0 {
				break
			}
			if !inside(i+k-1) && !inside(i+k+len(a)) {
				return true
			}
			i += k + 1
		}
	}
	return false
}

// The order of lines in RFC 8866 section 5; t=, r= and z= keep their order. Lines that are not listed do not pass: u=,
// e= and p= describe the author, and unknown lines may say anything.
var (
	sessionOrder = []string{"v", "o", "s", "i", "c", "b", "trz", "k", "a"}
	mediaOrder   = []string{"i", "c", "b", "k", "a"}
)

// once are the lines that may occur only once; repeated ones do not pass.
const once = "vosick"

func write(b *strings.Builder, lines []sdpLine, order []string) {
	for _, kinds := range order {
		for _, l := range lines {
			if strings.IndexByte(kinds, l.kind) < 0 {
				continue
			}
			b.WriteByte(l.kind)
			b.WriteByte('=')
			b.WriteString(l.value)
			b.WriteString("\r\n")
			if strings.Contains(once, kinds) {
				break
			}
		}
	}
}

// text formats the description in the order of RFC 8866, each line ended by CRLF.
func (d *sdpText) text() string {
	var b strings.Builder
	write(&b, d.session, sessionOrder)
	for _, m := range d.media {
		fmt.Fprintf(&b, "m=%s %d %s", m.media, m.port, m.proto)
		if m.formats != "" {
			b.WriteString(" " + m.formats)
		}
		b.WriteString("\r\n")
		write(&b, m.lines, mediaOrder)
	}
	return b.String()
}
