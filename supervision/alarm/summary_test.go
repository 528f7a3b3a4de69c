package alarm

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// weekFixture drives the summaries of a Notifier on clocks of its own.
type weekFixture struct {
	t    *testing.T
	n    *Notifier
	now  Time
	told []string // the ends of the weeks
	ids  []string // of all messages
}

const weekLayout = "2006-01-02 15:04 -0700"

func newWeeks(t *testing.T, zone, now string, set Settings) *weekFixture {
	t.Helper()
	place, err := time.LoadLocation(zone)
	if err != nil {
		t.Skip(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", now, place)
	if err != nil {
		t.Fatal(err)
	}
	return &weekFixture{t: t, n: New(set), now: Time{Wall: at}}
}

// pass lets time pass in steps of a minute.
func (f *weekFixture) pass(by time.Duration) {
	for range by / time.Minute {
		f.now.Mono += time.Minute
		f.now.Wall = f.now.Wall.Add(time.Minute)
		if w, _ := f.n.SummaryDue(f.now); w != nil {
			m := f.n.Summary(f.now, w)
			f.ids = append(f.ids, m.ID)
			f.told = append(f.told, m.Summary.To.Format(weekLayout)+" at "+m.At.Format("15:04"))
		}
	}
}

// restart makes a new Notifier with what the old one saved, as it comes back from the disk.
func (f *weekFixture) restart(set Settings) {
	text, err := json.Marshal(f.n.Save(f.now))
	if err != nil {
		f.t.Fatal(err)
	}
	var saved Saved
	if err := json.Unmarshal(text, &saved); err != nil {
		f.t.Fatal(err)
	}
	f.n = New(set)
	f.now.Mono = 0
	f.n.Load(f.now, saved)
}

func (f *weekFixture) want(all ...string) {
	f.t.Helper()
	if !slices.Equal(f.told, all) {
		f.t.Errorf("at %s: told %q, want %q", f.now.Wall.Format(weekLayout), f.told, all)
	}
	f.told = nil
}

var (
	mondays = Settings{Site: "Millrace Playhouse", PerHour: 12, Summary: Weekly{On: true, Day: time.Monday, Minute: 9 * 60}}
	week    = weekDays * 24 * time.Hour
)

// In Berlin, clocks go forward on 2026-03-29 at 02:00 and back on 2026-10-25 at 03:00 (tz database).
func TestSummaryOnTheLocalCalendar(t *testing.T) {
	f := newWeeks(t, "Europe/Berlin", "2026-03-18 12:00", mondays)
	f.pass(4 * 24 * time.Hour)
	f.want() // the week in which it was first asked for has not ended
	f.pass(2 * week)
	f.want("2026-03-23 09:00 +0100 at 09:01", "2026-03-30 09:00 +0200 at 09:01")
	for _, skipped := range []string{"2026-03-27 12:00", "2026-10-23 12:00"} {
		f = newWeeks(t, "Europe/Berlin", skipped, Settings{Summary: Weekly{On: true, Day: time.Sunday, Minute: 2*60 + 30}})
		f.pass(2 * week)
		if len(f.told) != 2 {
			t.Errorf("2:30 on a Sunday: told %q", f.told)
		}
	}
}

func TestSummaryOverARestart(t *testing.T) {
	f := newWeeks(t, "Europe/Berlin", "2026-06-01 09:00", mondays) // a Monday
	f.pass(week + time.Minute)
	f.want("2026-06-08 09:00 +0200 at 09:01")
	f.restart(mondays)
	f.pass(week - 2*time.Minute)
	f.want()
	f.now.Wall = f.now.Wall.Add(3*week + time.Hour) // the machine is off
	f.restart(mondays)
	f.pass(time.Minute)
	f.want("2026-07-06 09:00 +0200 at 10:00")
	f.restart(mondays)
	f.pass(week / 2)
	f.want()

	f.now.Wall = f.now.Wall.In(time.FixedZone("", -5*3600)) // the time zone of the machine is corrected
	f.restart(mondays)
	f.pass(4 * 24 * time.Hour)
	f.want("2026-07-13 09:00 -0500 at 09:01")
	f.now.Wall = f.now.Wall.In(time.FixedZone("", -9*3600))
	f.pass(24 * time.Hour)
	f.want()
}

func TestSummaryAndTheClock(t *testing.T) {
	f := newWeeks(t, "Europe/Berlin", "2026-06-01 10:00", mondays)
	f.pass(week)
	f.want("2026-06-08 09:00 +0200 at 09:01")
	f.now.Wall = f.now.Wall.Add(-2 * time.Hour) // put back to before it was told
	f.pass(24 * time.Hour)
	f.want()
	right := f.now.Wall
	f.now.Wall = time.Date(1970, 1, 1, 1, 0, 0, 0, right.Location())
	f.restart(mondays) // a machine without a clock of its own
	f.pass(time.Hour)
	f.now.Wall = right
	f.pass(24 * time.Hour)
	f.now.Wall = f.now.Wall.AddDate(-50, 0, 0) // again
	f.pass(time.Minute)
	f.now.Wall = right
	f.pass(time.Hour)
	f.want()
	f.now.Wall = right.AddDate(10, 0, 0) // wrong, and then put right
	f.pass(time.Minute)
	f.want("2036-06-02 09:00 +0200 at 08:01")
}

func TestSummaryAfterAClockThatWasAhead(t *testing.T) {
	for _, days := range []int{6, 3650} {
		f := newWeeks(t, "Europe/Berlin", "2026-06-02 10:00", mondays)
		f.pass(time.Minute)
		right := f.now.Wall
		f.now.Wall = right.AddDate(0, 0, days)
		f.pass(time.Minute)
		wrong := f.ids
		f.told = nil
		f.now.Wall = right
		f.pass(week)
		f.want("2026-06-08 09:00 +0200 at 09:01")
		if len(wrong) != 1 || len(f.ids) != 2 || f.ids[1] == wrong[0] {
			t.Errorf("%d days ahead: messages %q", days, f.ids)
		}
	}
}

func TestSummarySettings(t *testing.T) {
	f := newWeeks(t, "Europe/Berlin", "2026-06-02 10:00", Settings{})
	f.pass(2 * week)
	f.n.Set(mondays)
	f.pass(time.Hour)
	f.want() // the week that has ended was not asked for
	other := mondays
	other.Summary = Weekly{On: true, Day: time.Tuesday, Minute: 8 * 60}
	f.n.Set(other)
	f.pass(time.Hour)
	f.restart(mondays)
	f.pass(time.Hour)
	f.want()
	quiet := mondays
	quiet.Quiet = Quiet{From: 8 * 60, To: 9*60 + 30}
	f.n.Set(quiet)
	f.pass(week)
	f.want("2026-06-22 09:00 +0200 at 09:30")
	f.restart(Settings{})
	f.pass(week)
	f.restart(mondays)
	f.pass(time.Hour)
	f.want()
}

func TestSummaryText(t *testing.T) {
	from := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	w := &Week{From: from, To: from.Add(week), Lost: 3, Lines: []WeekLine{
		{Line: "box-office", Calls: 40, Emergency: 1, Cleared: 30, Unverified: 2, Trials: 12,
			Incidents: map[string]int{"interval-short": 2, "adapter-refused": 1}, Before: 800, After: 1000},
		{Line: "stage-door", Calls: 2, Incidents: map[string]int{"interval-short": 1}},
		{Line: "workshop"}}}
	m := New(mondays).Summary(Time{Wall: from.Add(week)}, w)
	again := New(mondays).Summary(Time{Wall: from.Add(week + time.Hour)}, &Week{From: from, To: from.Add(week)})
	if m.ID != again.ID || m.Kind != KindSummary || m.Urgent || len(m.Alarms) != 0 {
		t.Errorf("%+v", m)
	}
	if want := "Millrace Playhouse: summary of the week ending 2026-06-08"; m.Subject != want {
		t.Errorf("subject %q, want %q", m.Subject, want)
	}
	want := `Summary of the week from 2026-06-01 09:00 +0000 to 2026-06-08 09:00 +0000.

The journal has gaps: 3 records could not be written. The numbers below are
therefore too low.

All lines
  Calls: 42. Of these, emergency calls: 1.
  Holds cleared: 30. Openings not verified: 2.
  Incidents: interval-short 3, adapter-refused 1.
  Trials of ` + "`clearback tune`" + `: 12.

box-office
  Calls: 40. Of these, emergency calls: 1.
  Holds cleared: 30. Openings not verified: 2.
  Incidents: interval-short 2, adapter-refused 1.
  Trials of ` + "`clearback tune`" + `: 12.
  The interval has changed from 800 ms to 1000 ms.

stage-door
  Calls: 2.
  Incidents: interval-short 1.

workshop
  Calls: none.

`
	if got, _, _ := strings.Cut(m.Text, "Site: "); got != want {
		t.Errorf("text:\n%s\nwant:\n%s", got, want)
	}
	text, err := json.Marshal(m)
	if err != nil || !strings.Contains(string(text), `"interval_before_ms":800,"interval_after_ms":1000`) {
		t.Errorf("%s %v", text, err)
	}
}
