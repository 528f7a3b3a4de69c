package sipua

import (
	"math"
	"slices"
	"sync"
	"time"

	"clearback/bridge/media"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// mediaCounts holds what the sessions of a call have counted. Safe for concurrent use.
type mediaCounts struct {
	mu      sync.Mutex
	relayed bool             // guarded by mu; there was a session
	open    []*media.Session // guarded by mu
	ended   [2]media.Stats   // guarded by mu; of closed sessions, by media.Side
}

func (m *mediaCounts) add(s *media.Session) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.relayed, m.open = true, append(m.open, s)
}

// remove takes the counts of a session that has been closed.
func (m *mediaCounts) remove(s *media.Session) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.open = slices.DeleteFunc(m.open, func(o *media.Session) bool { return o == s })
	for side := range m.ended {
		m.ended[side] = m.ended[side].Plus(s.Stats(media.Side(side)))
	}
}

// reset is for a call whose media goes directly from now on.
func (m *mediaCounts) reset() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.relayed, m.open, m.ended = false, nil, [2]media.Stats{}
}

// record returns the counts of all sessions so far, or nil if there was none.
func (m *mediaCounts) record() *callrecord.Media {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.relayed {
		return nil
	}
	all := m.ended
	for _, s := range m.open {
		for side := range all {
			all[side] = all[side].Plus(s.Stats(media.Side(side)))
		}
	}
	return &callrecord.Media{Adapter: reception(&all[media.AdapterSide]), FarEnd: reception(&all[media.ServiceSide])}
}

// reception returns the counts of a side in the form of records.
func reception(s *media.Stats) callrecord.Reception {
	r := callrecord.Reception{Packets: s.Packets, Fax: s.Fax, Dropped: s.UnknownSource + s.Probation + s.Invalid,
		Lost: s.Lost, Late: s.Late,
		Jitter:      float64(s.Jitter.Round(time.Microsecond)) / float64(time.Millisecond),
		SSRCChanges: s.SSRCChanges, ComfortNoise: s.ComfortNoise, Digits: s.Digits,
		SenderReports: s.SenderReports, ReceiverReports: s.ReceiverReports, Goodbyes: s.Goodbyes}
	if dBm0, heard := s.Level.Mean(); heard {
		r.Level = new(math.Round(10*dBm0) / 10)
	}
	if !s.LastMedia.IsZero() {
		r.Last = s.LastMedia.Round(0).Truncate(time.Microsecond).UTC()
	}
	return r
}

// Media returns what has been received in a call of this line so far, or nil if its media is not relayed.
func (l *Line) Media(call supervision.CallID) *callrecord.Media {
	c := l.a.call(call)
	if c == nil || c.line != l {
		return nil
	}
	m := c.path.counts.record()
	if m != nil {
		*m = m.Until(time.Now())
	}
	return m
}

// reportMedia reports what was received in the call, once its ports are closed. Of a call that was not answered,
// silence is not worth a report.
func (c *call) reportMedia(answered bool) {
	m := c.path.counts.record()
	if m == nil || c.a.callMedia == nil || !answered && m.Adapter.Packets == 0 && m.FarEnd.Packets == 0 {
		return
	}
	c.a.callMedia(c.line.o.Name, c.id, *m)
}
