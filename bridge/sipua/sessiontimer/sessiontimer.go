// Package sessiontimer is the arithmetic of session timers (RFC 4028): what two ends agree on, which end refreshes, and
// when. It uses no socket and no clock.
package sessiontimer

import (
	"strconv"
	"strings"
)

// MinInterval is the smallest session interval, in seconds (RFC 4028 section 4). It is also the Min-SE of a peer that
// states none (section 5).
const MinInterval = 90

// maxInterval bounds what a peer may ask for, in seconds: a day. Our own number. A longer interval would detect a lost
// peer too late, and a huge one would overflow.
const maxInterval = 24 * 60 * 60

// Refresher is the end that refreshes, by its role in the transaction that agreed on it.
type Refresher uint8

// The values of Refresher.
const (
	RefresherNone Refresher = iota
	UAC                     // the sender of the request
	UAS                     // the end that answered the request
)

func (r Refresher) String() string {
	switch r {
	case UAC:
		return "uac"
	case UAS:
		return "uas"
	}
	return ""
}

// Expires is a Session-Expires header field.
type Expires struct {
	Seconds   int // 0 if there is no header field
	Refresher Refresher
}

// String returns the value of the header field.
func (e Expires) String() string {
	if e.Refresher == RefresherNone {
		return strconv.Itoa(e.Seconds)
	}
	return strconv.Itoa(e.Seconds) + ";refresher=" + e.Refresher.String()
}

// Parse reads the value of a Session-Expires header field. It ignores what it cannot parse.
func Parse(value string) Expires {
	number, params, _ := strings.Cut(value, ";")
	e := Expires{Seconds: Seconds(number)}
	if e.Seconds == 0 {
		return Expires{}
	}
	for param := range strings.SplitSeq(params, ";") {
		name, v, _ := strings.Cut(param, "=")
		if !strings.EqualFold(strings.TrimSpace(name), "refresher") {
			continue
		}
		switch strings.ToLower(strings.Trim(strings.TrimSpace(v), `"`)) {
		case "uac":
			e.Refresher = UAC
		case "uas":
			e.Refresher = UAS
		}
	}
	return e
}

// Seconds reads a number of seconds, as in Min-SE. It ignores parameters after the number. It returns 0 if it cannot
// parse the number. More than a day counts as a day.
func Seconds(value string) int {
	value, _, _ = strings.Cut(value, ";")
	value = strings.TrimSpace(value)
	n, err := strconv.ParseUint(value, 10, 63)
	switch {
	case err == nil && n <= maxInterval:
		return int(n)
	case err == nil, strings.Trim(value, "0123456789") == "" && value != "": // a number, but a large one
		return maxInterval
	}
	return 0
}

// Request holds the session timer fields of a request that refreshes a session (INVITE, UPDATE).
type Request struct {
	Supported bool // the request has the option tag "timer" in Supported or Require
	Expires   Expires
	MinSE     int // 0 if the request states none
}

// TooShort reports whether the interval of the request is below our minimum, which calls for 422 with Min-SE: least
// (section 9). An end that does not support session timers cannot understand a 422. If a proxy added the interval to
// its request, [Agree] raises it instead.
func (r Request) TooShort(least int) bool {
	return r.Supported && r.Expires.Seconds != 0 && r.Expires.Seconds < least
}

// Session is the agreed session timer. The zero value is a session without one.
type Session struct {
	Seconds int  // the session interval
	Ours    bool // we refresh
}

// Agree computes the session timer of a request as its UAS (section 9). want is the interval that we ask for if the
// request states none; 0 means that we ask for none. If the request does not say which end refreshes, we refresh,
// because we notice a refresh without a response sooner than a missing refresh. If answer.Seconds is not 0, answer goes
// into the response, with Require: timer if require is true.
func Agree(r Request, want, least int) (s Session, answer Expires, require bool) {
	e := r.Expires
	switch {
	case e.Seconds == 0 && (!r.Supported || want == 0):
		return Session{}, Expires{}, false
	case e.Seconds == 0:
		e = Expires{Seconds: max(want, r.MinSE, least)}
	case !r.Supported && e.Seconds < least: // raise the interval, which a proxy set below our minimum
		e.Seconds = max(least, r.MinSE)
	}
	if e.Refresher == RefresherNone || !r.Supported { // table 2: without support an end does not refresh
		e.Refresher = UAS
	}
	return Session{Seconds: e.Seconds, Ours: e.Refresher == UAS}, e, r.Supported
}

// Learn computes the session timer from the Session-Expires of the 2xx to our request (section 7.2). If it does not say
// which end refreshes, we do.
func Learn(e Expires) Session {
	if e.Seconds == 0 {
		return Session{}
	}
	return Session{Seconds: e.Seconds, Ours: e.Refresher != UAS}
}

// Refresh returns when to refresh, in seconds after the last refresh: half of the interval (section 10).
func (s Session) Refresh() float64 { return float64(s.Seconds) / 2 }

// End returns when to end a session that was not refreshed, in seconds after its last refresh. It is 32 s or a third of
// the interval before the end of the interval, whichever is less (section 10).
func (s Session) End() float64 {
	n := float64(s.Seconds)
	return n - min(32, n/3)
}

// Roles returns the Session-Expires of our refresh request, such that the same end keeps refreshing (section 7.4).
func (s Session) Roles() Expires {
	e := Expires{Seconds: s.Seconds, Refresher: UAS}
	if s.Ours {
		e.Refresher = UAC
	}
	return e
}
