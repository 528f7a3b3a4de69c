package alarm

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// A cabinet that is lost takes the loops of 100 lines with it, one after the other. That is a few messages, and an
// emergency call is told before those that are due with it.
func TestLoopsAreToldTogether(t *testing.T) {
	d := newFixture(t, settings)
	for i := range 100 {
		d.n.Take(d.now, Report{Times: 1, Alarm: Alarm{Key: fmt.Sprint("line/", i), Class: ClassLoop, Since: d.now.Wall}})
		d.pass(time.Millisecond)
	}
	d.n.Take(d.now, Report{State: Event, Alarm: Alarm{Key: "help", Class: ClassEmergency, Since: d.now.Wall}})
	d.want(d.step(), "begun! help")
	got := d.pass(2 * gatherLoops)
	if len(d.all) != 4 || len(got) != 2 || len(got[0].Alarms) != mostAlarms || len(got[1].Alarms) != 49 {
		t.Errorf("told in %d messages: %s", len(d.all), listed(d.all))
	}
	for i := range 3 {
		d.n.Take(d.now, Report{Alarm: Alarm{Key: fmt.Sprint("other/", i), Class: ClassLoop, Since: d.now.Wall}})
	}
	d.n.Take(d.now, Report{State: Event, Alarm: Alarm{Key: "help", Class: ClassEmergency, Since: d.now.Wall}})
	d.pass(gatherLoops)
	d.want(d.all[4:], "begun! help; begun! other/0 other/1 other/2")
}

// A loop whose state is unknown, and that is then found open, is told again: once, and not again after a restart.
func TestGraverIsToldAgain(t *testing.T) {
	d := newFixture(t, settings)
	fault := func(reason string, grade int) []Message {
		return d.report(Report{Times: 1, Grade: grade, Alarm: Alarm{Key: "loop", Class: ClassLoop, Line: "stage-door",
			Reason: reason, What: "It is " + reason + ".", Since: d.now.Wall}})
	}
	d.want(fault("unreachable", 0), "begun! loop")
	d.pass(time.Second)
	d.take(Ended, ClassLoop, "loop")
	d.pass(time.Second)
	got := fault("loop-open", 1)
	d.want(got, "begun! loop")
	if a := got[0].Alarms[0]; a.Reason != "loop-open" || a.What != "It is loop-open." || !a.Since.Equal(d.now.Wall) {
		t.Errorf("told: %+v", a)
	}
	for range 10 {
		d.pass(2 * time.Second)
		d.want(fault("unreachable", 0), "")
		d.pass(2 * time.Second)
		d.want(fault("loop-open", 1), "")
	}
	saved := d.n.Save(d.now)
	d.n = New(settings)
	d.n.Load(d.now, saved)
	d.want(fault("loop-open", 1), "")
	d.take(Ended, ClassLoop, "loop")
	d.want(d.pass(time.Hour), "ended! loop")
	d.want(fault("unreachable", 0), "begun! loop")
	d.want(fault("loop-open", 1), "")
	d.want(d.pass(gatherLoops), "begun! loop")
}

// What is reported again because it stands has not happened again, but the message has the newest figures.
func TestStandingIsNotCounted(t *testing.T) {
	d := newFixture(t, settings)
	r := Report{Alarm: Alarm{Key: "way/mail", Class: ClassWay, What: "1 waits.", Since: noon.Add(-time.Minute)}}
	d.report(r) // it was looked at before its begin was taken
	r.Times, r.Alarm.What = 1, "2 wait."
	d.report(r)
	r.Times, r.Alarm.What, r.Alarm.Since = 0, "400 wait.", d.now.Wall
	d.report(r)
	got := d.pass(gather)
	d.want(got, "begun way/mail")
	if text := got[0].Text; strings.Contains(text, "times") || !strings.Contains(text, "400 wait.") ||
		!strings.Contains(text, "11:59:00") {
		t.Errorf("told:\n%s", text)
	}
	r.Alarm.What = "5 wait."
	d.report(r)
	if got = d.pass(settings.Repeat); listed(got) != "lasts way/mail" || !strings.Contains(got[0].Text, "5 wait.") {
		t.Errorf("told %s", listed(got))
	}
}

// A process is killed before it could save that it told something. The next one tells it with the same ID, and whatever
// it tells afterwards with another one.
func TestSameIDAfterAKill(t *testing.T) {
	d := newFixture(t, settings)
	d.n.Take(d.now, Report{State: Event, Alarm: Alarm{Key: "help", Class: ClassEmergency, Since: noon}})
	d.n.Take(d.now, Report{Times: 1, Alarm: Alarm{Key: "loop", Class: ClassLoop, Since: noon.Add(1)}})
	ids := map[string]bool{}
	for range 4 { // begun, lasts, lasts, lasts
		data, err := json.Marshal(d.n.Save(d.now))
		if err != nil {
			t.Fatal(err)
		}
		first := d.step()
		var s Saved
		if err := json.Unmarshal(data, &s); err != nil {
			t.Fatal(err)
		}
		d.n = New(settings)
		d.n.Load(d.now, s)
		// The next process sees that the loop is open, and cannot know since when.
		d.n.Take(d.now, Report{Times: 1, Alarm: Alarm{Key: "loop", Class: ClassLoop, Since: d.now.Wall.Add(time.Second)}})
		again := d.step()
		if len(first) == 0 || len(first) != len(again) {
			t.Fatalf("told %s, then %s", listed(first), listed(again))
		}
		for i := range first {
			if first[i].ID != again[i].ID || ids[first[i].ID] {
				t.Errorf("%s: the ID %s, then %s", listed(first), first[i].ID, again[i].ID)
			}
			ids[first[i].ID] = true
		}
		d.now.Mono += settings.Repeat
		d.now.Wall = d.now.Wall.Add(settings.Repeat)
	}
}

// The subject of a message that tells an end must not read like an alarm, and an alarm does not end before its begin,
// whatever the clock says.
func TestWordsOfAnEnd(t *testing.T) {
	d := newFixture(t, settings)
	d.take(Stands, ClassLoop, "loop")
	saved := d.n.Save(d.now)
	for range 2 { // it ends before a restart, or after one without a clock
		d.now.Wall = time.Unix(0, 0)
		d.take(Ended, ClassLoop, "loop")
		got := d.pass(restartGrace)
		d.want(got, "ended! loop")
		if m := got[0]; m.Subject != "Millrace Playhouse: ended: line stage-door: the alarm about the loop" ||
			strings.Contains(m.Text, "is open") || m.Alarms[0].Until.Before(m.Alarms[0].Since) {
			t.Errorf("told %q\n%s", m.Subject, m.Text)
		}
		d.n = New(settings)
		d.n.Load(d.now, saved)
		d.step()
	}
}
