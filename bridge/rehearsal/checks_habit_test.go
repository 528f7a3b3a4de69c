package rehearsal

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/supervision/keysystem"
)

func habitOr(t *testing.T, name string) habit {
	h, err := habitNamed(name)
	require.NoError(t, err)
	return h
}

// As TestChecks, but with habits of the adapter, each of which has its own correct result.
func TestChecksOfHabits(t *testing.T) {
	const bye = "sends 200 to BYE"
	battery := func(on bool) func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
			return l.SetBattery(now, on)
		}
	}
	for _, c := range []struct {
		habit, scene, what string
		past               func(b *history)
		problem            string // empty: no problem
	}{
		{"always-200", "held-call", "unknown", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"unknown")
		}, ""},
		{"always-200", "held-call", "reported as cleared", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"on")
		}, "the daemon cannot know"},
		{"always-200", "short-interval", "unknown", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).reportsOutcome("lighting", "unknown")
		}, ""},
		{"always-200", "short-interval", "reported as stayed", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).reportsOutcome("lighting", "unknown").incident("lighting", 1700,
				"reason=interval-short")
		}, "the daemon cannot know that the hold stayed"},
		{"always-200", "short-interval", "nothing reported", func(b *history) {
			b.held("lighting").open("lighting", 2,
				332)
		}, "the outcome is unknown"},

		{"bye-unanswered", "held-call", "after the lead", func(b *history) {
			b.held("box-office").open("box-office", 605, 1505).reportsOutcome("box-office", "on")
		}, ""},
		{"bye-unanswered", "held-call", "before the lead", func(b *history) {
			b.held("box-office").open("box-office", 5, 905).reportsOutcome("box-office", "on")
		}, "before the lead was over"},
		{"bye-unanswered", "held-call", "as short as a flash", func(b *history) {
			b.held("box-office").open("box-office", 605, 1405).reportsOutcome("box-office", "on")
		}, "expected 900.0 to 1400.0 ms"},
		{"bye-unanswered", "held-call", "answered", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 605,
				1505).reportsOutcome("box-office",
				"on")
		}, "its habit is not to answer"},

		{"power-denial", "held-call", "by itself", func(b *history) {
			b.held("box-office").did("box-office", 1, battery(false)).did("box-office", 501, battery(true))
			b.said("box-office", "adapter", 501, bye).open("box-office", 502, 1302).reportsOutcome("box-office", "on")
		}, ""},
		{"bye-late", "held-call", "by itself", func(b *history) {
			b.held("box-office").did("box-office", 1, battery(false)).did("box-office", 401, battery(true))
			b.said("box-office", "adapter", 451, bye).open("box-office", 452, 1252).reportsOutcome("box-office", "on")
		}, "cleared before the loop opened"},

		{"reboot", "held-call", "untouched", func(b *history) {
			b.held("box-office").did("box-office", -400, battery(false)).did("box-office", 200, battery(true))
			b.said("box-office", "clearback", 2, "report suppressed call=1 rule=unknown-call")
		}, ""},
		{"reboot", "held-call", "reason not reported", func(b *history) {
			b.held("box-office").did("box-office", -400, battery(false)).did("box-office", 200, battery(true))
		}, "no report says why"},
		{"reboot", "held-call", "opened", func(b *history) {
			b.held("box-office").did("box-office", -400, battery(false)).did("box-office", 200,
				battery(true)).open("box-office", 300, 1100)
			b.said("box-office", "clearback", 2, "report suppressed call=1 rule=unknown-call")
		}, "the loop opened"},
		{"reboot", "held-call", "still held", func(b *history) {
			b.held("box-office").said("box-office", "clearback", 2, "report suppressed call=1 rule=unknown-call")
		}, "is not on hook"},

		{"flash-info", "short-interval", "reported", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).incident("lighting", 1600, "flash reason=interval-short")
		}, ""},
		{"flash-info", "short-interval", "not reported", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).incident("lighting", 1600, "reason=interval-short")
		}, "the adapter took it for a flash"},

		{"reorder", "near-end-calls", "lifted again", func(b *history) {
			b.lift("paint-shop", -1000).open("paint-shop", 502, 1302).hangUp("paint-shop", 600).lift("paint-shop", 1700)
			b.said("paint-shop", "adapter", 1800, "sends INVITE to 555-0199").talking(phoneCleared,
				phoneTalking).inCall("paint-shop")
		}, ""},
		{"reorder", "near-end-calls", "called while open", func(b *history) {
			b.lift("paint-shop", -1000).open("paint-shop", 502, 1302)
			b.said("paint-shop", "adapter", 600, "sends INVITE to 555-0199").talking(phoneCleared,
				phoneTalking).inCall("paint-shop")
		}, "while the loop was open"},
	} {
		t.Run(c.habit+"/"+c.scene+"/"+c.what, func(t *testing.T) {
			b := newHistoryWith(t, c.scene, habitOr(t, c.habit))
			c.past(b)
			if c.problem == "" {
				require.Empty(t, b.checked())
			} else {
				require.Contains(t, b.checked(), c.problem)
			}
		})
	}
}

// The checks of the incident scenes: each requires its own reason, the advice, and the end of the incident.
func TestChecksOfIncidents(t *testing.T) {
	for _, list := range [][]incidentScene{boardTroubles(), callTroubles(), offHookTroubles()} {
		for _, c := range list {
			name := c.lines[0].name
			reason := strings.Join(c.reason[1:], " ") + " " + c.reason[0]
			// the loop does the same in all scenes except one
			past := func(t *testing.T) *history {
				b := newHistory(t, c.name).held(name)
				if c.name == "silent-adapter" {
					b.open(name, 605, 1505).held("trap-room").incident("trap-room", 610, "reason=bye-unanswered")
				}
				return b
			}
			t.Run(c.name, func(t *testing.T) {
				require.Empty(t, past(t).incident(name, 1700, reason).checked())
				require.Contains(t, past(t).checked(), "no incident is reported")
				require.Contains(t, past(t).incident(name, 1700, "reason=none").checked(), "instead of")
				b := past(t).said(name, "clearback", 1700, "report incident "+reason)
				require.Contains(t, b.checked(), "what to do about it")
				require.Contains(t, b.checked(), "did not end")
				b = past(t).incident(name, 1700, reason).open(name, 3000, 3800)
				require.Contains(t, b.checked(), name+": the loop opened")
			})
		}
	}
}

func TestCheckOfTuning(t *testing.T) {
	for interval, problem := range map[time.Duration]string{
		900 * time.Millisecond:  "",
		427 * time.Millisecond:  "one hold in 100 needs more",
		1500 * time.Millisecond: "end 2.1s after the BYE",
		0:                       "no interval is recommended",
	} {
		b := newHistory(t, "tune").held("bookings")
		b.run.tuned = interval
		if problem == "" {
			require.Empty(t, b.checked())
		} else {
			require.Contains(t, b.checked(), problem)
		}
	}
	b := newHistory(t, "tune")
	b.run.tuned = 900 * time.Millisecond
	require.Contains(t, b.checked(), "without a single hold")
}
