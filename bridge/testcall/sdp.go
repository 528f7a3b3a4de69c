package testcall

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
)

// description is the part of a session description (RFC 8866) that matters here: the first audio stream.
type description struct {
	at        netip.AddrPort
	kind      uint8 // payload type: the first of its list that we support
	direction string
}

// receives reports whether the author of the description wants to receive media. A hold is signalled by the direction,
// or by the unspecified address of RFC 2543.
func (d description) receives() bool {
	return d.direction != "sendonly" && d.direction != "inactive" && !d.at.Addr().IsUnspecified()
}

// describe reads a session description.
func describe(sdp []byte) (description, error) {
	d := description{direction: "sendrecv"}
	host, port, media, ours := "", "", 0, false
	for _, line := range strings.Split(strings.ReplaceAll(string(sdp), "\r\n", "\n"), "\n") {
		kind, value, _ := strings.Cut(line, "=")
		fields := strings.Fields(value)
		switch {
		case kind == "m" && len(fields) >= 4:
			media++
			if ours = port == "" && fields[0] == "audio" && fields[1] != "0"; !ours {
				continue
			}
			i := slices.IndexFunc(fields[3:], func(f string) bool {
				return f == strconv.Itoa(pcmu) ||
					f == strconv.Itoa(pcma)
			})
			if i < 0 {
				return d, errNoCodec
			}
			port = fields[1]
			if fields[3+i] == strconv.Itoa(pcma) {
				d.kind = pcma
			}
		case media > 0 && !ours:
		case kind == "c" && len(fields) >= 3:
			host, _, _ = strings.Cut(fields[2], "/")
		case kind == "a" && slices.Contains([]string{"sendrecv", "sendonly", "recvonly", "inactive"}, value):
			d.direction = value
		}
	}
	if port == "" {
		return d, errNoCodec
	}
	addr, err := netip.ParseAddr(host)
	n, err2 := strconv.ParseUint(port, 10, 16)
	if err != nil || err2 != nil {
		return d, fmt.Errorf("the session description has no address: %q port %q", host, port)
	}
	d.at = netip.AddrPortFrom(addr, uint16(n))
	return d, nil
}

// offer returns our own description as an offer.
func (t *tone) offer(direction string) []byte {
	return t.describe(direction, fmt.Sprint(pcmu, " ", pcma), "a=rtpmap:0 PCMU/8000\r\na=rtpmap:8 PCMA/8000\r\n")
}

// answer returns our answer to an offer (RFC 3264 section 6.1). If playing, it directs the tone to the address in the
// offer.
func (t *tone) answer(offer []byte, playing bool) ([]byte, error) {
	d, err := describe(offer)
	if err != nil {
		return nil, err
	}
	if playing {
		if err := t.playTo(offer); err != nil {
			return nil, err
		}
	}
	direction := d.direction
	switch direction {
	case "sendonly":
		direction = "recvonly"
	case "recvonly":
		direction = "sendonly"
	}
	if d.kind == pcma {
		return t.describe(direction, "8", "a=rtpmap:8 PCMA/8000\r\n"), nil
	}
	return t.describe(direction, "0", "a=rtpmap:0 PCMU/8000\r\n"), nil
}

func (t *tone) describe(direction, kinds, maps string) []byte {
	at := t.conn.LocalAddr().(*net.UDPAddr).AddrPort()
	family := "IP4"
	if at.Addr().Unmap().Is6() {
		family = "IP6"
	}
	host := at.Addr().Unmap().String()
	t.mu.Lock()
	t.version++ // RFC 3264 section 8
	version := t.version
	t.mu.Unlock()
	return fmt.Appendf(nil,
		"v=0\r\no=- %d %d IN %s %s\r\ns=-\r\nc=IN %s %s\r\nt=0 0\r\nm=audio %d RTP/AVP %s\r\n%sa=ptime:20\r\na=%s\r\n",
		at.Port(), version, family, host, family, host, at.Port(), kinds, maps, direction)
}
