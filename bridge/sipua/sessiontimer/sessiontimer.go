// Package sessiontimer is the arithmetic of session timers (RFC 4028): what two ends agree on, who refreshes, and when.
// It knows no socket and no clock.
package sessiontimer

import (
	"strconv"
	"strings"
)

// MinInterval is the smallest session interval, in seconds (RFC 4028 section 4), and the Min-SE of who says none
// (section 5).
const MinInterval = 90

// maxInterval bounds what a peer may say, in seconds: a day. Our own number: with more a lost end would not be missed
// in time, and a huge one would overflow.
const maxInterval = 24 * 60 * 60

// Refresher is who refreshes, by the roles in the transaction that agreed on it.
type Refresher uint8

// Who refreshes.
const (
	RefresherNone Refresher = iota
	UAC                     // who sent the request
	UAS                     // who answered it
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
	Seconds   int // 0: there is none
	Refresher Refresher
}

// String is its value in a header field.
func (e Expires) String() string {
	if e.Refresher == RefresherNone {
		return strconv.Itoa(e.Seconds)
	}
	return strconv.Itoa(e.Seconds) + ";refresher=" + e.Refresher.String()
}

// Parse reads the value of a Session-Expires header field. What cannot be understood counts as not there.
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

// Seconds reads a number of seconds, as in Min-SE; parameters after it do not matter. 0: it cannot be understood. More
// than a day counts as a day.
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

// Request is what a request that refreshes a session (INVITE, UPDATE) says.
type Request struct {
	Supported bool // it names the option tag "timer" in Supported or Require
	Expires   Expires
	MinSE     int // 0: none said
}

// TooShort reports whether the interval asked for is below what we take, so that 422 with Min-SE: least is due (section
// 9). Who does not know session timers cannot understand a 422: what was put in by a proxy on the way is then raised
// instead.
func (r Request) TooShort(least int) bool {
	return r.Supported && r.Expires.Seconds != 0 && r.Expires.Seconds < least
}

// Session is what was agreed on; the zero value is a session without a timer.
type Session struct {
	Seconds int  // the session interval
	Ours    bool // we refresh
}

// Agree answers a request as its UAS (section 9). want is the interval that we ask for if the request names none, 0:
// none. Where the request leaves it open, we refresh: an end that does not answer is missed sooner than one that does
// not ask. The answer goes into the response if its Seconds are not 0, and then Require: timer if require.
func Agree(r Request, want, least int) (s Session, answer Expires, require bool) {
	e := r.Expires
	switch {
	case e.Seconds == 0 && (!r.Supported || want == 0):
		return Session{}, Expires{}, false
	case e.Seconds == 0:
		e = Expires{Seconds: max(want, r.MinSE, least)}
	case !r.Supported && e.Seconds < least: // raised by whoever put it in below what we take
		e.Seconds = max(least, r.MinSE)
	}
	if e.Refresher == RefresherNone || !r.Supported { // table 2: who does not know session timers does not refresh
		e.Refresher = UAS
	}
	return Session{Seconds: e.Seconds, Ours: e.Refresher == UAS}, e, r.Supported
}

// Learn takes the Session-Expires of the 2xx to a request of ours (section 7.2). Where it does not say who refreshes,
// we do.
func Learn(e Expires) Session {
	if e.Seconds == 0 {
		return Session{}
	}
	return Session{Seconds: e.Seconds, Ours: e.Refresher != UAS}
}

// Refresh is when the refresher sends its refresh, in seconds after the last one: half of the interval (section 10).
func (s Session) Refresh() float64 { return float64(s.Seconds) / 2 }

// End is when a session that was not refreshed is ended, in seconds after its last refresh: before the interval is
// over, by the lesser of 32 s and a third of it (section 10).
func (s Session) End() float64 {
	n := float64(s.Seconds)
	return n - min(32, n/3)
}

// Roles is what a refresh of ours asks for, so that who refreshes stays who it is (section 7.4).
func (s Session) Roles() Expires {
	e := Expires{Seconds: s.Seconds, Refresher: UAS}
	if s.Ours {
		e.Refresher = UAC
	}
	return e
}
