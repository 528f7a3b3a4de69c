package callrecord

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"clearback/supervision"
	"clearback/supervision/supervisiontest"
)

// zero is the wall clock at the start of a script's time line.
var zero = time.Date(2026, time.March, 14, 19, 30, 0, 0, time.UTC)

// recorder is a machine that records its events and effects as the line's goroutine does, without time-passed.
type recorder struct {
	machine *supervision.Machine
	entries []Entry
}

func (r *recorder) Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect, supervision.Instant) {
	effects, deadline := r.machine.Step(now, ev)
	at := zero.Add(time.Duration(now))
	if ev.Kind != supervision.EventNone && ev.Kind != supervision.TimePassed {
		r.entries = append(r.entries, Entry{At: at, Line: "box-office", Event: ev})
	}
	for _, ef := range effects {
		r.entries = append(r.entries, Entry{At: at, Line: "box-office", Effect: ef})
	}
	return effects, deadline
}

func (r *recorder) SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant {
	return r.machine.SetPolicy(now, p)
}

// play runs a script of ../testdata and returns the entries of each line in it.
func play(t *testing.T, name string) [][]Entry {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "testdata", name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	return playText(t, string(text))
}

func playText(t *testing.T, text string) [][]Entry {
	t.Helper()
	blocks, err := supervisiontest.ParseScript(text)
	if err != nil {
		t.Fatal(err)
	}
	var lines []*recorder
	_, err = supervisiontest.RunScript(blocks, func(p supervision.Policy) supervisiontest.Stepper {
		r := &recorder{machine: supervision.New(p)}
		lines = append(lines, r)
		return r
	})
	if err != nil {
		t.Fatal(err)
	}
	var all [][]Entry
	for _, r := range lines {
		if len(r.entries) > 0 {
			all = append(all, r.entries)
		}
	}
	return all
}

// feed returns the last state of each account and incident, in the order in which they began.
func feed(entries []Entry) ([]Account, []Incident) {
	var accounts []Account
	var incidents []Incident
	t := NewRecorder("box-office")
	for _, e := range entries {
		as, is := t.Take(e)
		accounts, incidents = keepAccounts(accounts, as), keepIncidents(incidents, is)
	}
	return accounts, incidents
}

func keepAccounts(all, changed []Account) []Account {
next:
	for _, a := range changed {
		for i := range all {
			if all[i].ID() == a.ID() {
				all[i] = a
				continue next
			}
		}
		all = append(all, a)
	}
	return all
}

func keepIncidents(all, changed []Incident) []Incident {
next:
	for _, inc := range changed {
		for i := range all {
			if all[i].Began.Equal(inc.Began) && all[i].Reason == inc.Reason && all[i].Ended.IsZero() {
				all[i] = inc
				continue next
			}
		}
		all = append(all, inc)
	}
	return all
}

// entriesOf parses entries from text. Each line has a time and an event or effect in its text form.
func entriesOf(t *testing.T, text string) []Entry {
	t.Helper()
	var all []Entry
	for line := range strings.Lines(text) {
		at, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		if at == "" {
			continue
		}
		d, err := time.ParseDuration(at)
		if err != nil {
			t.Fatal(err)
		}
		e := Entry{At: zero.Add(d), Line: "box-office"}
		if e.Event, err = supervision.ParseEvent(rest); err != nil {
			e.Event = supervision.Event{}
			if e.Effect, err = supervision.ParseEffect(rest); err != nil {
				t.Fatal(err)
			}
		}
		all = append(all, e)
	}
	return all
}
