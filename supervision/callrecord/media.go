package callrecord

import (
	"strconv"
	"strings"
	"time"
)

// Media says what was received from both ends of a call whose media this daemon relays. For a call that was taken up
// after a restart it counts from then on. Several streams, such as sound and video, are added up.
type Media struct {
	Adapter Reception `json:"adapter"`
	FarEnd  Reception `json:"far_end"`
}

// Reception says what was received from one end. [bridge/media.Stats] has the sources of the counts.
type Reception struct {
	// Packets counts RTP packets. Lost counts those that are missing by their sequence number. It is negative if
	// packets came twice. Late counts those that came out of order or twice.
	Packets uint64 `json:"packets"`
	Lost    int64  `json:"lost"`
	Late    uint64 `json:"late"`
	// Fax counts the datagrams of T.38. Dropped counts datagrams that came from an unexpected source, or are of a kind
	// that does not belong to the call.
	Fax     uint64 `json:"fax,omitempty"`
	Dropped uint64 `json:"dropped,omitempty"`
	// Jitter is in milliseconds.
	Jitter       float64 `json:"jitter_ms"`
	SSRCChanges  uint64  `json:"ssrc_changes,omitempty"`
	ComfortNoise uint64  `json:"comfort_noise,omitempty"`
	// Digits counts the keys that were pressed and sent as telephone events. Which ones is not recorded.
	Digits          uint64 `json:"digits,omitempty"`
	SenderReports   uint64 `json:"rtcp_sr,omitempty"`
	ReceiverReports uint64 `json:"rtcp_rr,omitempty"`
	Goodbyes        uint64 `json:"rtcp_bye,omitempty"`
	// Last is when the last packet of RTP or T.38 came. Silent is the time since then in milliseconds: until now, or
	// until the call was cleared. The journal does not store Silent.
	Last   time.Time `json:"last,omitzero"`
	Silent float64   `json:"silent_ms,omitempty"`
	// Level is the level of all sound in dBm0; absent unless it is G.711 that is not encrypted.
	Level *float64 `json:"level_dbm0,omitempty"`
}

// Until returns m with the silences up to that time.
func (m Media) Until(at time.Time) Media {
	for _, r := range []*Reception{&m.Adapter, &m.FarEnd} {
		if r.Silent = 0; !r.Last.IsZero() {
			r.Silent = float64(max(0, at.Sub(r.Last).Milliseconds()))
		}
	}
	return m
}

// media returns the media of a call with the silences before the clearing, or nil.
func (a *Account) media() *Media {
	if a.Media == nil {
		return nil
	}
	m := *a.Media
	if !a.Cleared.IsZero() {
		m = m.Until(a.Cleared)
	}
	return &m
}

// Brief returns in a few words how both ends are heard now: "far end heard 0.2 s ago, lost 0.1 %; adapter not heard
// yet". Silent must be set.
func (m *Media) Brief() string {
	return "far end " + m.FarEnd.brief() + "; adapter " + m.Adapter.brief()
}

func (r *Reception) brief() string {
	if r.Packets == 0 && r.Fax == 0 {
		return "not heard yet"
	}
	s := "heard " + strconv.FormatFloat(r.Silent/1000, 'f', 1, 64) + " s ago"
	if r.Packets > 0 {
		s += ", lost " + r.lostShare()
	}
	return s
}

// lostShare returns how many of the packets were lost, in percent. Packets that came twice make up for lost ones.
func (r *Reception) lostShare() string {
	lost := max(0, r.Lost)
	share := 100 * float64(lost) / float64(max(1, uint64(lost)+r.Packets))
	if lost > 0 && share < 0.1 {
		return "less than 0.1 %"
	}
	return strings.TrimSuffix(strconv.FormatFloat(share, 'f', 1, 64), ".0") + " %"
}

// silentAfter is the shortest silence before a clearing that an explanation mentions, in milliseconds. Our own number:
// longer than a pause between two packets, and than the time within which both ends learn of a clearing.
const silentAfter = 2000

// text returns what was received, in sentences. Silent must be set. adopted: the call was taken up after a restart.
func (m *Media) text(adopted bool) string {
	s := m.FarEnd.text("far end") + " " + m.Adapter.text("adapter")
	if adopted {
		s += " These counts begin at the daemon's restart."
	}
	return s
}

func (r *Reception) text(who string) string {
	count := func(n uint64, one, many string) string {
		if n == 1 {
			return "1 " + one
		}
		return strconv.FormatUint(n, 10) + " " + many
	}
	var s string
	fax := count(r.Fax, "fax packet", "fax packets")
	switch {
	case r.Packets > 0:
		s = count(r.Packets, "packet", "packets") + " came from the " + who + ": lost " + r.lostShare() + ", " +
			strconv.FormatUint(r.Late, 10) + " late, jitter " + strconv.FormatFloat(r.Jitter, 'f', 1, 64) + " ms"
		if r.Fax > 0 {
			s += ", " + fax
		}
	case r.Fax > 0:
		s = fax + " came from the " + who
	case r.Dropped > 0:
		return "No sound was accepted from the " + who + "; dropped " + count(r.Dropped, "packet", "packets") + "."
	default:
		return "Nothing was heard from the " + who + "."
	}
	if r.Level != nil {
		s += ", level " + strconv.FormatFloat(*r.Level, 'f', 0, 64) + " dBm0"
	}
	for _, more := range []struct {
		n         uint64
		one, many string
	}{
		{r.SSRCChanges, "change of SSRC", "changes of SSRC"},
		{r.ComfortNoise, "packet of comfort noise", "packets of comfort noise"},
		{r.Digits, "digit", "digits"},
	} {
		if more.n > 0 {
			s += ", " + count(more.n, more.one, more.many)
		}
	}
	if r.Silent >= silentAfter {
		s += "; silent for the last " + Span(time.Duration(r.Silent*float64(time.Millisecond)).Round(time.Second)) +
			" before the clearing"
	}
	return s + "."
}
