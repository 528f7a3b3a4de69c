package sipua

import (
	"slices"
	"strings"
	"time"

	"clearback/bridge/media"
)

// This file decides when the silence of a side means something.

// quietSince is the start of the present silence of a side, without RTP or RTCP: the last packet, or a later change of
// either session description. It is zero if no packet ever came, or if media goes directly.
func (p *mediaPath) quietSince(side media.Side) time.Time {
	heard := p.lastHeard(side)
	if !heard.IsZero() && p.changed.After(heard) {
		return p.changed
	}
	return heard
}

// expectsSound reports whether the last session descriptions of both sides send and receive sound: neither signalled
// hold (RFC 3264 section 8.4) or an inactive stream.
func (p *mediaPath) expectsSound() bool {
	return !slices.ContainsFunc(p.sentDescriptions[:], func(s sentDescription) bool { return !bothWays(s.body) })
}

// bothWays reports whether a session description has an audio stream in both directions.
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

// mayPause reports whether both session descriptions allow a side to send nothing during silence.
func (p *mediaPath) mayPause() bool {
	return !slices.ContainsFunc(p.sentDescriptions[:], func(s sentDescription) bool { return !pauses(s.body) })
}

// pauses reports whether a description has comfort noise (RFC 3389), or a codec with silence suppression of its own:
// G.729 and G.723 unless annexb=no or annexa=no (RFC 4856), opus with usedtx=1 (RFC 7587 section 6.1).
func pauses(body []byte) bool {
	d, err := parseSDP(body)
	if err != nil {
		return true // unknown, so assume that it pauses
	}
	return slices.ContainsFunc(d.media, func(m *sdpMedia) bool {
		return m.media == "audio" && m.port != 0 && slices.ContainsFunc(strings.Fields(m.formats), m.pausesIn)
	})
}

// staticNames are the encodings of payload types that need no rtpmap (RFC 3551 section 6). In drafts 19 was comfort
// noise.
var staticNames = map[string]string{"4": "G723", "13": "CN", "18": "G729", "19": "CN"}

// pausesIn reports whether a format of the stream pauses during silence.
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
