package rehearsal

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/supervision/keysystem"
)

// history builds the record of a scene without running the scene, so that its checks can be tested. All times are
// milliseconds from the hang-up.
type history struct {
	t   *testing.T
	run *sceneRun
}

// before is how long before now the hang-up was. It is longer than any history.
const before = 30 * time.Second

func newHistory(t *testing.T, name string) *history { return newHistoryWith(t, name, habit{}) }

// newHistoryWith returns the history of a scene with a habit of the adapter.
func newHistoryWith(t *testing.T, name string, h habit) *history {
	all := scenes()
	i := slices.IndexFunc(all, func(s scene) bool { return s.name == name })
	require.GreaterOrEqual(t, i, 0)
	b := &history{t: t, run: &sceneRun{scene: all[i], timeline: &timeline{zero: time.Now().Add(-before)},
		lines: map[string]*line{}}}
	for _, part := range all[i].lines {
		l := newLine(part, (&testBed{habit: h}).habitOf(part))
		b.run.lines[part.name] = l
		b.line(part.name, part.release)
	}
	return b
}

// line gives the line a new model, whose card has that release time (0: the default), and a port.
func (b *history) line(name string, release time.Duration) {
	o := parts()
	if release > 0 {
		o.Release = release
	}
	l := b.run.lines[name]
	r, err := newLineModel(o, func(time.Time, string, string) {})
	require.NoError(b.t, err)
	r.epoch = b.run.zero.Add(-10 * time.Second)
	r.close() // nothing happens by itself
	l.lineModel = r
	if l.port == nil {
		l.port = &port{}
		u, err := openUA(name, l.port, nil)
		require.NoError(b.t, err)
		l.port.ua = u
		b.t.Cleanup(u.close)
	}
}

// did makes something happen on the line.
func (b *history) did(name string, ms int, what func(l *keysystem.Line, now time.Duration) ([]keysystem.Change,
	time.Duration)) *history {
	r := b.run.lines[name].lineModel
	r.do(func(time.Duration) ([]keysystem.Change, time.Duration) {
		return what(r.model, 10*time.Second+time.Duration(ms)*time.Millisecond)
	})
	return b
}

func (b *history) held(name string) *history {
	lift := func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return l.Lift(now, telephoneSet)
	}
	hold := func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return l.Hold(now, telephoneSet)
	}
	return b.did(name, -1000, lift).did(name, -500, hold)
}

func (b *history) lift(name string, ms int) *history {
	return b.did(name, ms, func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return l.Lift(now, telephoneSet)
	})
}

func (b *history) hangUp(name string, ms int) *history {
	return b.did(name, ms, func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return l.HangUp(now, telephoneSet)
	})
}

func (b *history) ring(name string, ms int) *history {
	return b.did(name, ms, func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return l.SetRinging(now, true)
	})
}

// open energises the relay from one time to another; with to 0 it stays energised.
func (b *history) open(name string, from, to int) *history {
	coil := func(on bool) func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
		return func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
			return l.SetCoil(now, on)
		}
	}
	b.did(name, from, coil(true))
	if to != 0 {
		b.did(name, to, coil(false))
	}
	return b
}

func (b *history) said(place, who string, ms int, text string) *history {
	b.run.add(b.run.zero.Add(time.Duration(ms)*time.Millisecond), place, who, text)
	return b
}

// talking sets the states of the telephones, and thereby which ports are in a call.
func (b *history) talking(states ...phoneState) *history {
	for _, s := range states {
		b.run.phones = append(b.run.phones, &phone{number: "555-0199", state: s, last: "BYE"})
	}
	return b
}

func (b *history) inCall(names ...string) *history {
	for _, name := range names {
		p := b.run.lines[name].port
		p.ua.ask(func() { p.call = &call{confirmed: true} })
	}
	return b
}

// reportsOutcome adds the daemon's report of the interruption.
func (b *history) reportsOutcome(name, hook string) *history {
	return b.said(name, "clearback", 1610, "report interrupted call=1 seq=1 interval=800ms hook="+hook)
}

// incident adds the daemon's reports of an incident: its beginning, a reminder and its end.
func (b *history) incident(name string, ms int, reason string) *history {
	_, why, _ := strings.Cut(reason, "reason=")
	b.said(name, "clearback", ms, "report incident "+reason)
	b.said(name, "clearback", ms+700, "warn: incident lasts: "+why+": Look at it.")
	return b.said(name, "clearback", ms+2000, "report incident-ended reason="+why)
}

const listenedTo = "report interrupted call=1 seq=1 interval=800ms hook="

// listened makes the near end hang up 2 s after the far end.
func listened(b *history) *history {
	b.lift("coat-check", -3000).open("coat-check", 2, 802).hangUp("coat-check", 2000).did("coat-check", 4000, passes)
	return b.said("coat-check", "clearback", 1610, "probe-answered hook=off")
}

// passes advances the time.
func passes(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
	return l.Step(now)
}

func (b *history) checked() string {
	var v sceneResult
	b.run.checkRecovered(&v)
	return strings.Join(v.problems, "; ")
}

// A check that never fails is useless. For each scene there is a history without problems, and histories with problems
// that the checks must find.
func TestChecks(t *testing.T) {
	const bye = "sends 200 to BYE"
	for _, c := range []struct {
		scene, what string
		past        func(b *history)
		problem     string // empty: no problem
	}{
		{"held-call", "cleared", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"on")
		}, ""},
		{"held-call", "cleared, and not reported", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2, 802)
		}, "no report gives the outcome"},
		{"held-call", "cleared, and reported as unknown", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"unknown")
		}, "instead of hook=on"},
		{"held-call", "cleared, and an incident reported", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"on")
			b.said("box-office", "clearback", 1620, "report incident call=1 reason=interval-short")
		}, "the hold cleared, and the report says"},
		{"held-call", "false report", func(b *history) { b.held("box-office").reportsOutcome("box-office", "on") },
			"loop current flows, and the report says"},
		{"held-call", "reported what the daemon cannot know", func(b *history) {
			b.run.lines["box-office"].policy.ProbeTrusted = false
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2,
				802).reportsOutcome("box-office",
				"on")
		}, "the daemon cannot know"},
		{"held-call", "opened while it rang", func(b *history) { b.ring("box-office", 1).open("box-office", 2, 802) },
			"opened while the line rang"},
		{"held-call", "nothing happened", func(b *history) { b.held("box-office") }, "never opened"},
		{"held-call", "too short", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2, 801)
		}, "expected 800.0 to 1300.0 ms"},
		{"held-call", "too long", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2, 1303)
		}, "expected 800.0 to 1300.0 ms"},
		{"held-call", "for ever", func(b *history) { b.held("box-office").open("box-office", 2, 0) }, "still open"},
		{"held-call", "twice", func(b *history) {
			b.held("box-office").open("box-office", 2, 802).open("box-office",
				1500, 2300)
		}, "opened 2 times"},
		{"held-call", "before the adapter's answer", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 20, bye).open("box-office", 2, 802)
		}, "before the adapter had cleared"},
		{"held-call", "adapter never asked", func(b *history) { b.held("box-office").open("box-office", 2, 802) },
			"before the adapter had cleared"},
		{"held-call", "a card that needs more", func(b *history) {
			b.line("box-office", 900*time.Millisecond)
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2, 802)
		}, "the hold stayed"},
		{"held-call", "taken up again at once", func(b *history) {
			b.held("box-office").said("box-office", "adapter", 1, bye).open("box-office", 2, 802).lift("box-office",
				810)
		}, "never saw the line on hook"},

		{"house-call", "cleared", func(b *history) {
			b.lift("stage-door", -2000).hangUp("stage-door", -1000)
			b.held("workshop").said("workshop", "adapter", 1, bye).open("workshop", 2, 802).reportsOutcome("workshop",
				"on")
		}, ""},
		{"house-call", "the caller's loop opened", func(b *history) {
			b.held("workshop").said("workshop", "adapter", 1, bye).open("workshop", 2, 802).open("stage-door", 2, 802)
		}, "stage-door: the loop opened"},
		{"house-call", "the caller is still there", func(b *history) {
			b.held("workshop").said("workshop", "adapter", 1, bye).open("workshop", 2, 802).lift("stage-door", -2000)
		}, "stage-door: still off hook"},

		{"others-stay", "cleared", func(b *history) { othersStay(b) }, ""},
		{"others-stay", "another opened", func(b *history) { othersStay(b).open("foyer", 2, 302) },
			"foyer: the loop opened"},
		{"others-stay", "another cleared", func(b *history) { othersStay(b).lift("wardrobe", 100) },
			"wardrobe: its held call has ended"},
		{"others-stay", "another's far end is gone",
			func(b *history) { othersStay(b).run.phones[2].state = phoneCleared }, "wardrobe: its held call has ended"},

		{"near-end-first", "nothing happened", func(b *history) {
			b.lift("props", -3000).hangUp("props",
				-1000).talking(phoneCleared)
		}, ""},
		{"listens", "listened", func(b *history) { listened(b).said("coat-check", "clearback", 6610, listenedTo+"on") },
			""},
		{"listens", "an incident", func(b *history) {
			listened(b).said("coat-check", "clearback", 6610, listenedTo+"on").incident("coat-check", 1620,
				"reason=interval-short")
		}, "the hold cleared, and the report says"},
		{"listens", "another interval", func(b *history) {
			listened(b).said("coat-check", "clearback", 6610, listenedTo+"on").said("coat-check", "clearback", 1620,
				"report next-interval interval=1s")
		}, "nothing was wrong with the interval"},
		{"listens", "not looked again", func(b *history) {
			listened(b).said("coat-check", "clearback", 6610,
				listenedTo+"off")
		}, "instead of hook=on"},
		{"listens", "opened twice", func(b *history) {
			listened(b).said("coat-check", "clearback", 6610, listenedTo+"on").open("coat-check", 4000, 4800)
		}, "opened 2 times"},
		{"listens", "not looked", func(b *history) {
			b.lift("coat-check", -3000).open("coat-check", 2, 802).hangUp("coat-check", 2000).said("coat-check",
				"clearback", 6610, listenedTo+"on")
		}, "did not check the line while"},
		{"listens", "hung up before", func(b *history) {
			b.lift("coat-check", -3000).open("coat-check", 2, 802).hangUp("coat-check", 900).did("coat-check", 3000,
				passes).
				said("coat-check", "clearback", 2200, "probe-answered hook=off").said("coat-check", "clearback", 6610,
				listenedTo+"on")
		}, "did not listen for long enough"},
		{"near-end-first", "opened", func(b *history) {
			b.lift("props", -3000).hangUp("props", -1000).talking(phoneCleared).open("props", 2, 802)
		}, "props: the loop opened"},
		{"near-end-first", "still busy", func(b *history) { b.lift("props", -3000).talking(phoneCleared) },
			"not at rest"},
		{"near-end-first", "the far end was not cleared",
			func(b *history) { b.talking(phoneTalking).run.phones[0].last = "" }, "ended by"},

		{"short-interval", "stayed", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).incident("lighting", 1600, "reason=interval-short")
		}, ""},
		{"short-interval", "stayed, and no advice reported", func(b *history) {
			b.held("lighting").open("lighting", 2, 332).said("lighting", "clearback", 1600,
				"report incident reason=interval-short")
		}, "what to do about it"},
		{"short-interval", "stayed, not reported", func(b *history) { b.held("lighting").open("lighting", 2, 332) },
			"no report"},
		{"short-interval", "cleared", func(b *history) {
			b.line("lighting", 200*time.Millisecond)
			b.held("lighting").open("lighting", 2, 332).said("lighting", "clearback", 1600,
				"report incident reason=interval-short")
		}, "the hold cleared although"},
		{"short-interval", "closed late on a busy machine", func(b *history) {
			b.held("lighting").said("lighting", "adapter", 1, bye).open("lighting", 2, 692).reportsOutcome("lighting", "on")
		}, ""},
		{"short-interval", "closed late, and reported as too short", func(b *history) {
			b.held("lighting").said("lighting", "adapter", 1, bye).open("lighting", 2, 692).incident("lighting", 1600,
				"reason=interval-short")
		}, "the hold cleared, and the report says"},
		{"short-interval", "another interval", func(b *history) { b.held("lighting").open("lighting", 2, 842) },
			"expected"},

		{"emergency-call", "nothing happened", func(b *history) { emergency(b).held("fly-loft") }, ""},
		{"emergency-call", "reason not reported", func(b *history) { b.held("fly-loft") }, "no report"},
		{"emergency-call", "opened", func(b *history) { emergency(b).held("fly-loft").open("fly-loft", 2, 252) },
			"the loop opened"},
		{"emergency-call", "cleared", func(b *history) { emergency(b).held("fly-loft").open("fly-loft", 2, 802) },
			"held is false"},

		{"next-caller", "cleared, then rang", func(b *history) { nextCaller(b, 1600, 1700).inCall("ticket-desk") }, ""},
		{"next-caller", "rang too early", func(b *history) { nextCaller(b, 900, 1700).inCall("ticket-desk") },
			"before the adapter saw the line on hook"},
		{"next-caller", "rang while open", func(b *history) {
			b.said("ticket-desk", "adapter", 1, bye).talking(phoneCleared, phoneTalking).inCall("ticket-desk")
			b.open("ticket-desk", 2, 0).ring("ticket-desk", 5).did("ticket-desk", 802,
				func(l *keysystem.Line, now time.Duration) ([]keysystem.Change, time.Duration) {
					return l.SetCoil(now, false)
				})
		}, "rang while the loop was open"},
		{"next-caller", "never rang", func(b *history) {
			b.held("ticket-desk").said("ticket-desk", "adapter", 1, bye).open("ticket-desk", 2,
				802).talking(phoneCleared, phoneCleared)
		}, "never rang"},
		{"next-caller", "not answered", func(b *history) { nextCaller(b, 1600, 1700) }, "was not answered"},

		{"near-end-calls", "cut short", func(b *history) { nearEndCalls(b, 600, 620).inCall("paint-shop") }, ""},
		{"near-end-calls", "not cut short", func(b *history) { nearEndCalls(b, 600, 1302).inCall("paint-shop") },
			"expected"},
		{"near-end-calls", "called before", func(b *history) { nearEndCalls(b, 400, 620).inCall("paint-shop") },
			"did not come while the loop was open"},
		{"near-end-calls", "not through", func(b *history) { nearEndCalls(b, 600, 620) }, "did not go through"},
		{"near-end-calls", "hung up", func(b *history) { nearEndCalls(b, 600, 620).hangUp("paint-shop", 700) },
			"took the opening for a hang-up"},

		{"board-power", "closed", func(b *history) {
			b.held("cloakroom").said("cloakroom", "board", 110, "loses power").open("cloakroom", 2, 110)
		}, ""},
		{"board-power", "stayed open", func(b *history) {
			b.held("cloakroom").said("cloakroom", "board", 110, "loses power").open("cloakroom", 2, 0)
		}, "still open"},
		{"board-power", "closed too late", func(b *history) {
			b.held("cloakroom").said("cloakroom", "board", 110, "loses power").open("cloakroom", 2, 702)
		}, "after the board lost power"},
		{"board-power", "opened again", func(b *history) {
			b.held("cloakroom").said("cloakroom", "board", 110, "loses power").open("cloakroom", 2,
				110).open("cloakroom", 900, 1200)
		}, "opened 2 times"},
		{"board-power", "a card that does not care", func(b *history) {
			b.line("cloakroom", 50*time.Millisecond)
			b.held("cloakroom").said("cloakroom", "board", 110, "loses power").open("cloakroom", 2, 110)
		}, "held is false"},

		{"cut-timed", "closed by itself", func(b *history) {
			b.held("bar").said("bar", "board", 2600,
				"the network is back").open("bar", 2, 802)
		}, ""},
		{"cut-timed", "closed by the daemon", func(b *history) {
			b.held("bar").said("bar", "board", 900,
				"the network is back").open("bar", 2, 1000)
		}, "before the network was back"},
		{"cut-timed", "stayed open", func(b *history) {
			b.held("bar").said("bar", "board", 2600,
				"the network is back").open("bar", 2, 2605)
		}, "expected"},
		{"cut-timed", "stayed held", func(b *history) {
			b.said("bar", "board", 2600, "the network is back").open("bar",
				2, 802)
		}, "the hold stayed"},

		{"daemon-ends", "cleared", func(b *history) {
			daemonEnds(b).open("dressing-room", 2, 802).reportsOutcome("dressing-room",
				"on")
		}, ""},
		{"daemon-ends", "not cleared", func(b *history) { daemonEnds(b) }, "never opened"},
		{"daemon-ends", "ended while open", func(b *history) { daemonEnds(b).open("dressing-room", 2, 302) },
			"expected"},
		{"daemon-ends", "the far end was not cleared", func(b *history) {
			daemonEnds(b).open("dressing-room", 2,
				802).run.phones[0].last = ""
		}, "ended by"},

		{"cut-plain", "closed after", func(b *history) { cutPlain(b, 2610) }, ""},
		{"cut-plain", "closed too early", func(b *history) { cutPlain(b, 2550) }, "after the network was back"},
		{"cut-plain", "closed too late", func(b *history) { cutPlain(b, 4150) }, "after the network was back"},
		{"cut-plain", "never closed", func(b *history) { cutPlain(b, 0) }, "still open"},
	} {
		t.Run(c.scene+"/"+c.what, func(t *testing.T) {
			b := newHistory(t, c.scene)
			c.past(b)
			if c.problem == "" {
				require.Empty(t, b.checked())
			} else {
				require.Contains(t, b.checked(), c.problem)
			}
		})
	}
}

func daemonEnds(b *history) *history {
	return b.held("dressing-room").said("dressing-room", "adapter", 1, "sends 200 to BYE").talking(phoneCleared)
}

func othersStay(b *history) *history {
	b.held("green-room").said("green-room", "adapter", 1, "sends 200 to BYE").open("green-room", 2,
		802).reportsOutcome("green-room", "on")
	return b.held("foyer").held("wardrobe").inCall("foyer", "wardrobe").talking(phoneIdle, phoneTalking, phoneTalking)
}

func emergency(b *history) *history {
	return b.said("fly-loft", "clearback", 1, "report suppressed call=1 rule=emergency")
}

func nextCaller(b *history, rings, lifts int) *history {
	b.held("ticket-desk").said("ticket-desk", "adapter", 1, "sends 200 to BYE").open("ticket-desk", 2,
		802).reportsOutcome("ticket-desk", "on")
	return b.ring("ticket-desk", rings).lift("ticket-desk", lifts).talking(phoneCleared, phoneTalking)
}

func nearEndCalls(b *history, calls, closes int) *history {
	b.lift("paint-shop", -1000).said("paint-shop", "adapter", calls, "sends INVITE to 555-0199")
	return b.open("paint-shop", 502, closes).talking(phoneCleared, phoneTalking)
}

func cutPlain(b *history, closes int) *history {
	return b.held("loading-dock").said("loading-dock", "board", 2600, "the network is back").open("loading-dock", 2,
		closes)
}

// Without the daemon the checks require the opposite.
func TestCheckWithout(t *testing.T) {
	judged := func(b *history, ending string) string {
		var v sceneResult
		b.talking(phoneCleared).run.phones[0].last = ending
		b.run.strandedLine = b.run.lines["box-office"]
		b.run.checkWithout(&v)
		return strings.Join(v.problems, "; ")
	}
	require.Empty(t, judged(newHistory(t, "held-call").held("box-office"), "486"))
	require.Contains(t, judged(newHistory(t, "held-call").held("box-office"), "480"), "instead of busy")
	require.Contains(t, judged(newHistory(t, "held-call").held("box-office").lift("box-office", 100), "486"),
		"the hold cleared")
	require.Contains(t, judged(newHistory(t, "held-call").held("box-office").open("box-office", 2, 802), "486"),
		"nothing could open it")
}

// A bouncing contact makes one opening, two movements make two.
func TestOpeningsLeaveBouncesOut(t *testing.T) {
	b := newHistory(t, "held-call").held("box-office").open("box-office", 0, 300).open("box-office", 400, 700)
	all := openings(b.run.lines["box-office"].lineModel.history())
	require.Len(t, all, 2)
	for _, o := range all {
		require.Equal(t, 300*time.Millisecond, o.lasted())
	}
}
