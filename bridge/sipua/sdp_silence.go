package sipua

import (
	"slices"
	"strings"
	"time"

	"clearback/bridge/media"
)

// This file is when the silence of a side means something.

// quietSince is since when neither RTP nor RTCP came from that side: since the last packet, or since what the two sides
// said of their media changed after it. Zero if none ever came, or if media goes directly.
func (p *mediaPath) quietSince(side media.Side) time.Time {
	heard := p.lastHeard(side)
	if !heard.IsZero() && p.changed.After(heard) {
		return p.changed
	}
	return heard
}

// expectsSound reports whether both sides said last that they send and receive sound: nobody signalled hold (RFC 3264
// section 8.4) or an inactive stream.
func (p *mediaPath) expectsSound() bool {
	return !slices.ContainsFunc(p.sentDescriptions[:], func(s sentDescription) bool { return !bothWays(s.body) })
}

// bothWays reports whether a session description has a stream of sound in both directions.
func bothWays(body []byte) bool {
	d, err := parseSDP(body)
	if err != nil {
		return false
	}
	return slices.ContainsFunc(d.media, func(m *sdpMedia) bool {
		if m.media != "audio" || m.port == 0 || directionOf(d, m) != "sendrecv" {
			return false
		}
		at, err := d.connectionOf(m)
		return err == nil && !at.IsUnspecified()
	})
}

// mayPause reports whether both sides said that they may send nothing while nobody speaks.
func (p *mediaPath) mayPause() bool {
	return !slices.ContainsFunc(p.sentDescriptions[:], func(s sentDescription) bool { return !pauses(s.body) })
}

// pauses reports whether a description has comfort noise (RFC 3389), or a codec that brings its own: G.729 and G.723
// unless annexb=no or annexa=no (RFC 4856), opus with usedtx=1 (RFC 7587 section 6.1).
func pauses(body []byte) bool {
	d, err := parseSDP(body)
	if err != nil {
		return true // nobody knows
	}
	return slices.ContainsFunc(d.media, func(m *sdpMedia) bool {
		return m.media == "audio" && m.port != 0 && slices.ContainsFunc(strings.Fields(m.formats), m.pausesIn)
	})
}

// staticNames are the encodings of payload types that need no rtpmap (RFC 3551 section 6). 19 was comfort noise in
// drafts.
var staticNames = map[string]string{"4": "G723", "13": "CN", "18": "G729", "19": "CN"}

// pausesIn reports whether that format of the stream pauses.
func (m *sdpMedia) pausesIn(format string) bool {
	name, parameters := staticNames[format], ""
	for _, l := range m.lines {
		if v, ok := strings.CutPrefix(l.value, "rtpmap:"+format+" "); ok && l.kind == 'a' {
			name, _, _ = strings.Cut(strings.ToUpper(strings.TrimSpace(v)), "/")
		}
		if v, ok := strings.CutPrefix(l.value, "fmtp:"+format+" "); ok && l.kind == 'a' {
			parameters = strings.ReplaceAll(strings.ToLower(v), " ", "")
		}
	}
	switch name {
	case "CN":
		return true
	case "G729":
		return !strings.Contains(parameters, "annexb=no")
	case "G723":
		return !strings.Contains(parameters, "annexa=no")
	case "OPUS":
		return strings.Contains(parameters, "usedtx=1")
	}
	return false
}
