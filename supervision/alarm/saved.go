package alarm

import (
	"cmp"
	"slices"
	"time"
)

// Saved is what a Notifier leaves to the next process, so that nothing is told twice or forgotten.
type Saved struct {
	Alarms []SavedAlarm `json:"alarms"`
	Sent   []time.Time  `json:"sent"` // the ordinary messages of the last hour
	Week   weekTold     `json:"week,omitzero"`
}

// SavedAlarm is an alarm that was told, or has to be.
type SavedAlarm struct {
	Alarm
	Told    bool          `json:"told"`
	ToldAt  time.Time     `json:"told_at,omitzero"`
	Event   bool          `json:"event,omitempty"`
	After   time.Duration `json:"after,omitempty"`
	Times   int           `json:"times,omitempty"`
	Returns int           `json:"returns,omitempty"`
	Grade   int           `json:"grade,omitempty"`
	// Forgotten is as in [Report].
	Forgotten bool `json:"forgotten,omitempty"`
	// Tellings is how often it was told.
	Tellings int `json:"tellings,omitempty"`
}

// Save returns what the next process has to know.
func (n *Notifier) Save(now Time) Saved {
	s := Saved{Alarms: []SavedAlarm{}, Week: n.week}
	wall := func(mono time.Duration) time.Time { return now.Wall.Add(mono - now.Mono) }
	for _, e := range n.entries {
		if e.phase == over {
			continue
		}
		one := SavedAlarm{Alarm: e.alarm, Told: e.phase == told, Event: e.event, After: e.after, Times: e.times,
			Returns: e.returns, Grade: e.grade, Tellings: e.tellings,
			Forgotten: e.forgotten}
		if one.Told {
			one.ToldAt = wall(e.toldAt)
		}
		s.Alarms = append(s.Alarms, one)
	}
	slices.SortFunc(s.Alarms, func(a, b SavedAlarm) int { return cmp.Compare(a.Key, b.Key) })
	for _, at := range n.sent {
		s.Sent = append(s.Sent, wall(at))
	}
	return s
}

// Load takes what an earlier process saved, but for the alarms that have been reported to this Notifier. Ages are
// bounded, since the clock may have been set meanwhile.
func (n *Notifier) Load(now Time, s Saved) {
	mono := func(wall time.Time, most time.Duration) time.Duration {
		return now.Mono - min(max(now.Wall.Sub(wall), 0), most)
	}
	n.week = s.Week
	for _, one := range s.Alarms {
		if one.Key == "" || n.entries[one.Key] != nil {
			continue
		}
		e := &entry{alarm: one.Alarm, event: one.Event, after: one.After, times: one.Times,
			returns: max(one.Returns, 0), grade: one.Grade, tellings: one.Tellings,
			forgotten: one.Forgotten, grace: !one.Event, began: now.Mono, ended: now.Mono}
		if one.Told {
			e.phase, e.toldAt = told, mono(one.ToldAt, n.set.Repeat)
		}
		if e.alarm.Until.IsZero() {
			e.alarm.Until = later(now.Wall, e.alarm.Since)
		}
		n.entries[one.Key] = e
	}
	for _, at := range s.Sent {
		if now.Wall.Sub(at) < time.Hour {
			n.sent = append(n.sent, mono(at, time.Hour))
		}
	}
	slices.Sort(n.sent)
}
