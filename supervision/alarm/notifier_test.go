package alarm

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// fixture drives a Notifier on clocks of its own.
type fixture struct {
	t    *testing.T
	n    *Notifier
	now  Time
	next time.Duration
	all  []Message
}

var (
	noon     = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)
	settings = Settings{Site: "Millrace Playhouse", Repeat: 6 * time.Hour, PerHour: 12}
)

func newFixture(t *testing.T, set Settings) *fixture {
	d := &fixture{t: t, now: Time{Wall: noon}}
	d.n = New(set)
	d.step()
	return d
}

func (d *fixture) step() []Message {
	var out []Message
	out, d.next = d.n.Step(d.now)
	d.all = append(d.all, out...)
	return out
}

// pass lets time pass, stepping at each deadline, and returns what was told.
func (d *fixture) pass(by time.Duration) (out []Message) {
	end := d.now.Mono + by
	for d.next <= end {
		d.set(max(d.next, d.now.Mono))
		out = append(out, d.step()...)
	}
	d.set(end)
	return append(out, d.step()...)
}

func (d *fixture) set(mono time.Duration) {
	d.now.Wall = d.now.Wall.Add(mono - d.now.Mono)
	d.now.Mono = mono
}

func (d *fixture) take(s State, class Class, key string) []Message {
	return d.report(Report{State: s, Alarm: Alarm{Key: key, Class: class, Line: "stage-door", Reason: "reason",
		What: "It was seen.", Do: "Do it.", Since: d.now.Wall}})
}

func (d *fixture) report(r Report) []Message {
	d.n.Take(d.now, r)
	return d.step()
}

// listed describes the messages: kind and keys.
func listed(all []Message) string {
	var words []string
	for _, m := range all {
		s := string(m.Kind)
		if m.Urgent {
			s += "!"
		}
		for _, a := range m.Alarms {
			s += " " + a.Key
		}
		words = append(words, s)
	}
	return strings.Join(words, "; ")
}

func (d *fixture) want(got []Message, want string) {
	d.t.Helper()
	if s := listed(got); s != want {
		d.t.Errorf("at %v: told %q, want %q", d.now.Mono, s, want)
	}
}

func TestUrgentIsToldAtOnce(t *testing.T) {
	set := settings
	set.Quiet, set.PerHour = Quiet{From: 0, To: 23*60 + 59}, 1
	d := newFixture(t, set)
	d.want(d.take(Stands, ClassLoop, "a"), "begun! a")
	d.want(d.take(Event, ClassEmergency, "c"), "begun! c")
	d.want(d.pass(gatherLoops), "")
	d.want(d.take(Stands, ClassLoop, "b"), "begun! b")
	d.want(d.pass(5*time.Hour), "")
	d.want(d.pass(time.Hour), "lasts! a; lasts! b")
	d.want(d.take(Ended, ClassLoop, "a"), "")
	d.want(d.pass(settle-1), "")
	d.want(d.pass(1), "ended! a")
}

func TestOrdinaryAreGathered(t *testing.T) {
	d := newFixture(t, settings)
	d.want(d.take(Stands, ClassLine, "a"), "")
	d.pass(gather - 1)
	d.want(d.take(Stands, ClassController, "b"), "")
	d.want(d.pass(1), "begun a b")
	d.take(Ended, ClassController, "b")
	d.want(d.pass(settle-1), "")
	d.want(d.pass(1), "ended b")
	d.want(d.pass(6*time.Hour-settle-1), "")
	d.want(d.pass(1), "lasts a")
	d.want(d.pass(6*time.Hour), "lasts a")
}

func TestRateAndWhatItHoldsBack(t *testing.T) {
	set := settings
	set.PerHour = 2
	d := newFixture(t, set)
	for i := range 5 {
		d.take(Event, ClassLine, fmt.Sprint("e", i))
		d.pass(gather)
	}
	d.want(d.all, "begun e0; begun e1")
	d.want(d.pass(time.Hour-4*gather), "begun e2 e3 e4")
}

func TestQuietHours(t *testing.T) {
	set := settings
	set.Quiet = Quiet{From: 22 * 60, To: 7 * 60}
	d := newFixture(t, set)
	d.pass(11 * time.Hour) // 23:00
	d.take(Stands, ClassLine, "a")
	d.take(Ended, ClassLine, "a")
	d.take(Stands, ClassLine, "b")
	d.want(d.pass(8*time.Hour-1), "")
	d.want(d.pass(1), "begun a b")
	if got := d.all[0].Alarms; got[0].Until.IsZero() || !got[1].Until.IsZero() {
		t.Errorf("ends: %v, %v; want the first only", got[0].Until, got[1].Until)
	}
}

// The clocks of Berlin are set on 29 March and 25 October 2026 (Directive 2000/84/EC: the last Sundays, 01:00 UTC).
func TestQuietLeft(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	night, day := Quiet{22 * 60, 7 * 60}, Quiet{9 * 60, 10 * 60}
	for _, c := range []struct {
		q    Quiet
		at   time.Time
		want time.Duration
	}{
		{Quiet{}, time.Date(2026, 3, 10, 0, 0, 0, 0, berlin), 0},
		{night, time.Date(2026, 3, 10, 21, 59, 59, 0, berlin), 0},
		{night, time.Date(2026, 3, 10, 22, 0, 0, 0, berlin), 9 * time.Hour},
		{night, time.Date(2026, 3, 10, 6, 59, 59, 0, berlin), time.Second},
		{night, time.Date(2026, 3, 10, 7, 0, 0, 0, berlin), 0},
		{night, time.Date(2026, 3, 28, 22, 0, 0, 0, berlin), 8 * time.Hour},
		{night, time.Date(2026, 10, 24, 22, 0, 0, 0, berlin), 10 * time.Hour},
		{day, time.Date(2026, 3, 10, 8, 59, 0, 0, berlin), 0},
		{day, time.Date(2026, 3, 10, 9, 0, 0, 0, berlin), time.Hour},
		{day, time.Date(2026, 3, 10, 10, 0, 0, 0, berlin), 0},
	} {
		if got := c.q.Left(c.at); got != c.want {
			t.Errorf("%v at %v: %v left, want %v", c.q, c.at, got, c.want)
		}
	}
}

// A loop that is unknown every two minutes for a day.
func TestFlappingSendsFewMessages(t *testing.T) {
	for _, class := range []Class{ClassLoop, ClassController} {
		d := newFixture(t, settings)
		for range 12 * 60 {
			d.take(Stands, class, "a")
			d.pass(time.Minute - time.Second)
			d.take(Ended, class, "a")
			d.pass(time.Minute + time.Second)
		}
		d.pass(2 * time.Hour)
		if n := len(d.all); n < 3 || n > 12 { // begun, lasts three times, ended; at most two more pairs and repetitions
			t.Errorf("%s: %d messages: %s", class, n, listed(d.all))
		}
		if last := d.all[len(d.all)-1]; last.Kind != KindEnded {
			t.Errorf("%s: the last message is %s", class, last.Kind)
		}
	}
}

func TestMustStandForATime(t *testing.T) {
	d := newFixture(t, settings)
	lost := Report{Alarm: Alarm{Key: "a", Class: ClassController, Since: noon}, After: time.Minute}
	d.report(lost)
	d.pass(time.Minute - 1)
	d.take(Ended, ClassController, "a")
	d.want(d.pass(time.Hour), "")
	d.report(lost)
	d.want(d.pass(time.Minute-1), "")
	d.want(d.pass(1), "begun a")
	// One that comes and goes too fast to stand for a minute is told too.
	for range 40 {
		d.report(Report{Alarm: Alarm{Key: "b", Class: ClassController, Since: noon}, After: time.Minute})
		d.pass(time.Second)
		d.take(Ended, ClassController, "b")
		d.pass(time.Second)
	}
	if !strings.Contains(listed(d.all), "begun b") {
		t.Error("an alarm that comes and goes for 80 s was not told: " + listed(d.all))
	}
}

func TestEmergencyCallsHaveABudgetOfTheirOwn(t *testing.T) {
	d := newFixture(t, settings)
	for range 100 {
		d.take(Event, ClassEmergency, "a")
		d.pass(time.Second)
	}
	d.want(d.take(Event, ClassEmergency, "b"), "begun! b")
	if n := len(d.all); n != eventsPerHour+1 {
		t.Fatalf("%d messages", n)
	}
	got := d.pass(time.Hour)
	d.want(got[:1], "begun! a")
	if !strings.Contains(got[0].Text, "94 times") {
		t.Errorf("the number is missing:\n%s", got[0].Text)
	}
}

func TestRestart(t *testing.T) {
	d := newFixture(t, settings)
	d.take(Stands, ClassLoop, "loop")
	d.take(Stands, ClassLine, "stays")
	d.take(Stands, ClassLine, "goes")
	d.pass(gather)
	d.take(Stands, ClassLine, "held")
	d.want(d.all, "begun! loop; begun goes stays")
	data, err := json.Marshal(d.n.Save(d.now))
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []time.Duration{0, time.Hour, -20 * 365 * 24 * time.Hour, 20 * 365 * 24 * time.Hour} { // the clock is set meanwhile
		var s Saved
		if err := json.Unmarshal(data, &s); err != nil {
			t.Fatal(err)
		}
		e := &fixture{t: t, now: Time{Wall: d.now.Wall.Add(step)}}
		e.n = New(settings)
		e.n.Load(e.now, s)
		e.step()
		e.take(Stands, ClassLoop, "loop")
		e.take(Stands, ClassLine, "stays")
		e.pass(restartGrace - 1)
		// After 20 years by the clock it is time to tell again what lasts.
		e.want(e.all, map[bool]string{false: "begun held", true: "lasts! loop; begun stays held"}[step > 6*time.Hour])
		got := e.pass(1)
		e.want(got, "ended goes held")
		if !strings.Contains(strings.Join(strings.Fields(got[0].Text), " "), sinceRestart) {
			t.Errorf("the restart is not mentioned:\n%s", got[0].Text)
		}
		if all := listed(e.pass(settings.Repeat)); !strings.Contains(all, "lasts stays") {
			t.Errorf("the clock was set by %v: what lasts was not told again: %s", step, all)
		}
	}
}

func TestClockStepsNeitherSilenceNorFlood(t *testing.T) {
	d := newFixture(t, settings)
	d.take(Stands, ClassLine, "a")
	d.pass(gather)
	for range 100 {
		d.now.Wall = d.now.Wall.Add(30 * 24 * time.Hour)
		d.step()
		d.now.Wall = d.now.Wall.Add(-60 * 24 * time.Hour)
		d.step()
	}
	d.want(d.all, "begun a")
	d.want(d.pass(6*time.Hour), "lasts a")
}

func TestMessage(t *testing.T) {
	set := settings
	set.Site = "Mühle\n\x1b[31m" + strings.Repeat("ü", 100)
	d := newFixture(t, set)
	since := noon.Add(-time.Minute)
	d.report(Report{Alarm: Alarm{Key: "k", Class: ClassLoop, Line: "stage-door", Reason: "loop-open", Since: since,
		What: "The contact reads open.\nBcc: nobody@playhouse.example", Do: strings.Repeat("Go and look. ", 20)}})
	m := d.all[0]
	if len(m.Subject) > 120 || strings.ContainsAny(m.Subject, "\n\r\x1b") || !utf8.ValidString(m.Subject) {
		t.Errorf("subject %q", m.Subject)
	}
	if !regexp.MustCompile(`^[A-Za-z0-9-]{1,64}$`).MatchString(m.ID) {
		t.Errorf("ID %q", m.ID)
	}
	for line := range strings.Lines(m.Text) {
		if utf8.RuneCountInString(line) > 77 && strings.Contains(strings.TrimSpace(line), " ") {
			t.Errorf("%d columns: %q", len(line), line)
		}
		if strings.HasPrefix(line, "Bcc") || strings.Contains(line, "\x1b") {
			t.Errorf("a text from outside made the line %q", line)
		}
	}
	for _, want := range []string{"line stage-door", "The contact reads open", "2026-03-10 11:59:00 +0000", "Go and look"} {
		if !strings.Contains(m.Text, want) {
			t.Errorf("%q is missing:\n%s", want, m.Text)
		}
	}
	m = *Test("Millrace Playhouse", "id-1", noon)
	if m.Kind != KindTest || m.Urgent || len(m.Alarms) != 1 || m.Subject != "Millrace Playhouse: a test of the alarms" ||
		!strings.HasPrefix(m.Text, "This is a test of the alarms\n") || !strings.Contains(m.Text, "Somebody tests") {
		t.Errorf("test message %+v", m)
	}
}

// TestRandomOrders checks what is promised in the package's comment on random orders of reports, steps of the clock and
// restarts.
func TestRandomOrders(t *testing.T) {
	for seed := range uint64(100) {
		r := rand.New(rand.NewPCG(seed, 1))
		set := settings
		set.PerHour = 1 + r.IntN(4)
		if seed%2 == 0 {
			set.Quiet = Quiet{From: 22 * 60, To: 7 * 60}
		}
		checkRandomOrder(t, set, r)
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// history is what the reports and messages of one key amount to.
type history struct {
	class              Class
	stands, open, owed bool // open: told begun and not ended; owed: it began and was not told
}

func checkRandomOrder(t *testing.T, set Settings, r *rand.Rand) {
	d := newFixture(t, set)
	classes := []Class{ClassLoop, ClassLine, ClassController, ClassLoop}
	keys := map[string]*history{}
	for i := range 8 {
		keys[fmt.Sprint("k", i)] = &history{class: classes[i%len(classes)]}
	}
	ids := map[string]bool{}
	var ordinary []time.Duration
	check := func(all []Message) {
		for _, m := range all {
			if ids[m.ID] {
				t.Errorf("two messages have the ID %s", m.ID)
			}
			ids[m.ID] = true
			if !m.Urgent {
				ordinary = append(within(ordinary, d.now.Mono, time.Hour), d.now.Mono)
				if len(ordinary) > set.PerHour {
					t.Errorf("%d ordinary messages in an hour", len(ordinary))
				}
				if set.Quiet.Left(d.now.Wall) > 0 {
					t.Errorf("an ordinary message at %v", d.now.Wall)
				}
			}
			for _, a := range m.Alarms {
				h := keys[a.Key]
				switch {
				case m.Urgent != a.Class.Urgent() || m.Urgent && len(m.Alarms) > 1 && a.Class != ClassLoop:
					t.Errorf("the message %s mixes classes", listed([]Message{m}))
				case h.owed && h.open:
					t.Errorf("%s: told begun twice", a.Key)
				case h.owed:
					h.owed, h.open = false, a.Until.IsZero()
				case !a.Until.IsZero() && !h.open:
					t.Errorf("%s: told ended without a begin", a.Key)
				case !a.Until.IsZero():
					h.open = false
				}
			}
		}
	}
	run := func(by time.Duration) {
		for end := d.now.Mono + by; ; {
			d.set(min(max(d.next, d.now.Mono), end))
			check(d.step())
			if d.next > end {
				d.set(end)
				return
			}
		}
	}
	for range 300 {
		d.now.Wall = d.now.Wall.Add(1) // so that no two alarms begin at the same time by a clock that is set
		key := fmt.Sprint("k", r.IntN(len(keys)))
		h := keys[key]
		switch r.IntN(10) {
		case 0: // restart
			s := d.n.Save(d.now)
			base := d.now.Mono // so that the test compares instants of both processes
			d.n = New(set)
			d.n.Load(d.now, s)
			check(d.step())
			for k, h := range keys {
				if h.stands {
					check(d.take(Stands, h.class, k))
				}
			}
			if d.now.Mono != base {
				t.Fatal("time passed")
			}
		case 1: // the clock is set
			d.now.Wall = d.now.Wall.Add(time.Duration(r.IntN(100)-50) * time.Hour)
			check(d.step())
		case 2, 3, 4, 5:
			state := Stands
			if h.stands {
				state = Ended
			} else if !h.open {
				h.owed = true
			}
			h.stands = !h.stands
			check(d.take(state, h.class, key))
			if h.class.Urgent() && h.owed {
				run(gatherLoops)
			}
			if h.class.Urgent() && h.owed {
				t.Errorf("%s: an urgent alarm was not told at once", key)
			}
		default:
			run([]time.Duration{time.Second, gather, settle, time.Hour}[r.IntN(4)] * time.Duration(1+r.IntN(3)))
		}
	}
	for k, h := range keys {
		if h.stands {
			check(d.take(Ended, h.class, k))
			h.stands = false
		}
	}
	run(4 * 24 * time.Hour)
	check(d.step())
	for _, k := range slices.Sorted(func(yield func(string) bool) {
		for k := range keys {
			if !yield(k) {
				return
			}
		}
	}) {
		if h := keys[k]; h.owed || h.open {
			t.Errorf("%s: in the end, begun and not told: %v; told and not ended: %v", k, h.owed, h.open)
		}
	}
	if len(d.n.entries) > 0 {
		t.Errorf("%d alarms are remembered for ever", len(d.n.entries))
	}
}
