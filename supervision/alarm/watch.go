package alarm

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"
)

const (
	// badLooks is how many bad looks within badWithin are told. They are badSpan apart at least, since a person may
	// look too. Our own numbers: with a look every 30 s, a dead daemon is told within 2 min.
	badLooks  = 3
	badWithin = 10 * time.Minute
	badSpan   = 55 * time.Second
	// calm is how long no look must have been bad before the end is told. Our own number.
	calm = time.Minute
	// restartExcuse and stopExcuse are how long a daemon need not answer after it began to hand over or to stop. Our
	// own numbers: an emergency call that nobody answers delays a hand-over by minutes, and a person who works at
	// the lines stops the daemon for longer.
	restartExcuse = 15 * time.Minute
	stopExcuse    = time.Hour
	watchKey      = "daemon"
)

// Left is what a daemon leaves that ends on purpose.
type Left struct {
	At      time.Time `json:"at"`
	Restart bool      `json:"restart,omitempty"` // another one is about to start
	Over    bool      `json:"over,omitempty"`    // another one has started since
}

// excuses reports whether a daemon that does not answer has ended on purpose, and not too long ago.
func (l Left) excuses(now time.Time) bool {
	limit := stopExcuse
	if l.Restart {
		limit = restartExcuse
	}
	ago := now.Sub(l.At)
	return !l.At.IsZero() && !l.Over && ago >= -calm && ago < limit
}

// Look is what somebody who is not the daemon sees of it.
type Look struct {
	Problem string    // why it does not answer; "": it answers
	Started time.Time // of the daemon that answers; zero: not known
	Left    Left      // what the last daemon that ended on purpose has left; zero: nothing
	Boot    string    // identifies the machine's present start; "": not known
}

// Watch decides what is told about the daemon by somebody who looks at it every 30 s. It is saved between two looks.
// Its zero value has not looked yet.
type Watch struct {
	Bad      []time.Time `json:"bad,omitempty"`     // the bad looks of late
	Problem  string      `json:"problem,omitempty"` // what the last one saw
	Started  time.Time   `json:"started,omitzero"`  // of the daemon that answered last
	Boot     string      `json:"boot,omitempty"`
	Booted   time.Time   `json:"booted,omitzero"` // the first look after the machine's start; zero: not known
	Since    time.Time   `json:"since,omitzero"`  // of what was told; zero: nothing stands
	Told     time.Time   `json:"told,omitzero"`
	Tellings int         `json:"tellings,omitempty"`
}

// Look takes what was seen, and returns the message that is due, or nil. A look is bad if the daemon does not answer
// and has not ended on purpose, or if a new one answers and the last one did not end on purpose.
func (w *Watch) Look(now time.Time, l Look, set Settings) *Message {
	if l.Boot != w.Boot { // the machine has started anew, and starts the daemon too
		if w.Boot != "" {
			w.Booted = now
		}
		w.Bad, w.Started, w.Boot = nil, time.Time{}, l.Boot
	}
	w.Bad = slices.DeleteFunc(w.Bad, func(at time.Time) bool { return at.After(now) || now.Sub(at) > badWithin })
	bad, answers := false, l.Problem == ""
	switch {
	case !answers:
		// a daemon that was seen since then has not ended on purpose, even if it could not say so
		if bad = !l.Left.excuses(now) || l.Left.At.Before(w.Booted) || l.Left.At.Before(w.Started); bad {
			w.Problem = "It does not answer: " + l.Problem + "."
		}
	case !l.Started.IsZero():
		if bad = !w.Started.IsZero() && !l.Started.Equal(w.Started) && l.Left.At.Before(w.Started); bad {
			w.Problem = "It was started again without having been stopped, so it crashes or is killed."
		}
		w.Started = l.Started
	}
	if bad {
		w.Bad = append(w.Bad, now)
		w.Bad = w.Bad[max(0, len(w.Bad)-100):]
	}
	n := len(w.Bad)
	stands := bad && n >= badLooks && now.Sub(w.Bad[0]) >= badSpan
	switch {
	case stands && w.Since.IsZero():
		w.Since = w.Bad[0]
		return w.tell(now, KindBegun, set.Site)
	case stands && set.Repeat > 0 && (now.Sub(w.Told) >= set.Repeat || now.Before(w.Told)):
		return w.tell(now, KindLasts, set.Site)
	case !w.Since.IsZero() && answers && (n == 0 || now.Sub(w.Bad[n-1]) >= calm):
		m := w.tell(now, KindEnded, set.Site)
		w.Since, w.Bad = time.Time{}, nil
		return m
	}
	return nil
}

// tell returns a message. Its ID depends on what it tells: if that cannot be saved, it is told again with the same ID.
func (w *Watch) tell(now time.Time, k Kind, site string) *Message {
	p := part{kind: k, Alarm: Alarm{Key: watchKey, Class: ClassDaemon, Reason: "daemon", What: w.Problem, Since: w.Since,
		Do: "Calls, also for help, may not pass, and holds stay. Run `systemctl status clearback`, then `systemctl restart " +
			"clearback`. The log says more: `journalctl -u clearback`."}}
	if k == KindEnded {
		p.Until = later(now, w.Since)
	}
	id := sha256.Sum256(fmt.Appendf(nil, "%q %s %s %d %d", site, watchKey, k, w.Since.UnixNano(), w.Tellings))
	w.Told = now
	w.Tellings++
	m := &Message{ID: hex.EncodeToString(id[:16]), At: now, Site: site, Kind: k, Urgent: true, Alarms: []Alarm{p.Alarm}}
	m.Subject, m.Text = subject(m, []part{p}), text(m, []part{p})
	return m
}
