package supervisiontest

import (
	"slices"
	"time"

	"clearback/supervision"
)

// Decode makes an order of events from any bytes. The first byte selects a policy. Each group of four after it gives
// one event and the time before it. The order has no TimePassed for the machine's deadlines; [Play] adds those.
func Decode(data []byte) (supervision.Policy, []Moment) {
	policies := Policies()
	if len(data) == 0 {
		return policies[0], nil
	}
	p := policies[int(data[0])%len(policies)]
	var (
		ms  []Moment
		now = supervision.Instant(time.Second)
	)
	for data = data[1:]; len(data) >= 4; data = data[4:] {
		a, b, c, d := data[0], data[1], data[2], data[3]
		now = now.Add(waits(d))
		ms = append(ms, Moment{Now: now, Event: supervision.Event{
			Kind:      kinds(a & 31),
			Call:      supervision.CallID(b & 7),
			Seq:       supervision.Seq(b >> 3 & 7),
			Emergency: a&0xe0 == 0xe0,
			Evidence:  supervision.Evidence(c & 15),
			Answer:    supervision.Answer(c >> 4 & 3),
			Hook:      supervision.Hook(c >> 6),
			Failure:   supervision.Failure(c >> 4 & 7),
			Reading:   supervision.Reading(c >> 6),
			Late:      time.Duration(a>>5) * 250 * time.Millisecond,
			Interval:  time.Duration(c) * 20 * time.Millisecond,

			PulseDiallingOff: b&0x80 != 0,
		}})
	}
	return p, ms
}

// kinds maps a number below 32 to a kind of event. The numbers of two kinds that mean nothing to the machine stand for
// the kinds beyond 31.
func kinds(n byte) supervision.EventKind {
	switch k := supervision.EventKind(n); k {
	case supervision.CallRefused:
		return supervision.CallAdopted
	case supervision.AdapterRefused:
		return supervision.AdapterLegHeard
	default:
		return k
	}
}

// waits maps a byte to a time: 0 to 63 ms, up to 1.9 s, or up to 63 s.
func waits(d byte) time.Duration {
	n := time.Duration(d & 63)
	switch d >> 6 {
	case 0, 1:
		return n * time.Millisecond
	case 2:
		return n * 30 * time.Millisecond
	default:
		return n * time.Second
	}
}

// afterwards is longer than all waits of one interruption. It is short enough that a look every 5 s at an idle line
// stays below the number of deadlines at which pass reports an endless wait.
const afterwards = 90 * time.Second

// Play gives an order to a new machine, with TimePassed at each deadline, as package bridge does. It returns the
// moments up to the first violation. After the last event it lets more time pass than any wait takes, except that for
// the next look.
func Play(p supervision.Policy, build Build, ms []Moment) ([]Moment, []Violation) {
	m, c := build(p), NewChecker(p)
	var out []Moment
	deadline := supervision.Never
	step := func(now supervision.Instant, ev supervision.Event) []Violation {
		effects, d := m.Step(now, ev)
		deadline = d
		out = append(out, Moment{Now: now, Event: ev, Effects: slices.Clone(effects), Deadline: d})
		return c.Observe(&out[len(out)-1])
	}
	now := supervision.Instant(0)
	// pass has a limit of its own, since a machine that never comes to rest is at fault
	pass := func(until supervision.Instant) []Violation {
		for range 64 {
			if deadline == supervision.Never || deadline > until {
				return nil
			}
			now = max(now, deadline)
			if broken := step(now, supervision.Event{Kind: supervision.TimePassed}); broken != nil {
				return broken
			}
		}
		return []Violation{{Invariant: 4, At: now, Says: "every wait ends",
			Problem: "waits for the same deadline for ever"}}
	}
	for i := range ms {
		if broken := pass(ms[i].Now); broken != nil {
			return out, broken
		}
		now = max(now, ms[i].Now)
		if broken := step(now, ms[i].Event); broken != nil {
			return out, broken
		}
	}
	return out, pass(now.Add(afterwards))
}
