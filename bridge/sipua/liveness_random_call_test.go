package sipua

import (
	"math/rand/v2"
	"time"
)

// farCall is one call, the behaviour of its service, and what happens to it.
type farCall struct {
	arrived, relayed, updates bool
	timer                     string // of the session: "", "uac" (we refresh), "uas"
	options                   int    // the service's response to OPTIONS in the call; 0: none
	late                      bool   // a 408 comes after 30 s, as from a proxy
	after                     int    // the service's response in the call once the far end is gone; 0: none
	refuses                   bool   // it answers everything else in the call with 500
	dies                      time.Duration
	cut                       span   // when the service is unreachable
	mute                      []span // no RTP or RTCP comes although the far end is there
}

const never = time.Duration(1<<63 - 1)

// drawCall draws a random call.
func drawCall(dice *rand.Rand) farCall {
	pick := func(all ...int) int { return all[dice.IntN(len(all))] }
	seconds := func(from, to int) time.Duration { return time.Duration(from+dice.IntN(to-from)) * time.Second }
	f := farCall{
		arrived: dice.IntN(2) == 0, relayed: dice.IntN(2) == 0, updates: dice.IntN(2) == 0, late: dice.IntN(2) == 0,
		timer: []string{"", "uac", "uas"}[dice.IntN(3)], options: pick(200, 200, 481, 405, 408, 500, 0),
		after: pick(481, 408, 0),
		dies:  never, cut: span{never, never},
	}
	if dice.IntN(3) > 0 {
		f.dies = seconds(1, 1800)
	}
	if dice.IntN(2) == 0 {
		f.cut.from = seconds(0, 1800)
		f.cut.to = f.cut.from + time.Duration(pick(3, 30, 120))*time.Second
		if dice.IntN(2) == 0 && f.dies != never {
			f.dies = f.cut.from + time.Duration(dice.IntN(int(f.cut.to-f.cut.from)))
		}
	}
	for range dice.IntN(3) {
		at := seconds(0, 1800)
		f.mute = append(f.mute, span{at, at + seconds(1, 600)})
	}
	if f.refuses = dice.IntN(6) == 0; f.refuses && (f.timer == "uac" || f.arrived) {
		f.timer = "uas" // a refresh of ours would be refused, and the session would end (RFC 4028 section 10)
	}
	if f.refuses && (f.options == 405 || f.options == 500) && f.after == 481 {
		f.options = 200 // otherwise one method is left, and its 481 proves nothing (SAFETY.md S95)
	}
	return f
}

// due is the latest time at which the line must be free; never: the far end does not vanish.
func (f *farCall) due() time.Duration {
	switch {
	case f.dies == never:
		return never
	case f.dies >= f.cut.from && f.dies < f.cut.to+200*time.Second, f.dies < f.cut.from &&
		f.dies+200*time.Second > f.cut.from:
		return max(f.dies, f.cut.to) + 200*time.Second // the service was unreachable when it should have been asked
	}
	return f.dies + 200*time.Second
}

// heard is the last time up to now at which media of the far end came.
func (f *farCall) heard(now time.Duration) time.Duration {
	now = min(now, f.dies)
	for again := true; again; {
		again = false
		for _, s := range append([]span{f.cut}, f.mute...) {
			if now > s.from && now <= s.to {
				now, again = s.from, true
			}
		}
	}
	return now
}
