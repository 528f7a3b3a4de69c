//go:build linux

package figures

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/mqtt/broker"
)

// TestOutage takes the four ways of the alarms down for a time while alarms begin and end, and then lets them work
// again. Mail server, web server and broker close each connection at once, and the program says: try again. Of mail
// server and webhook, the first acknowledgement after the outage gets lost. Every message arrives by each way; by MQTT
// at least the newest state of each alarm, since older ones may be left out. Only those whose acknowledgement was lost
// arrive twice, with the same ID.
func TestOutage(t *testing.T) {
	skipUnlessFigures(t)
	if *outage == 0 {
		t.Skip("needs -outage, such as -outage 5m")
	}
	o := newOutage(t)
	o.expectEvent(0)
	o.awaitAll("before the outage", o.complete)
	o.play()
	back := time.Now()
	o.awaitAll("what had begun", o.complete)
	t.Logf("every way was complete %v after the end of the outage", time.Since(back).Round(100*time.Millisecond))
	for _, line := range o.lasting(2, 4) {
		o.mend(line)
	}
	o.awaitAll("the other ends", o.complete)
	o.awaitAll("the disk", func() string { return strings.Join(o.folder(), ", ") })
	o.check(back)
}

// The lines of the emergency calls, and those of the alarms that last.
const (
	helpLines    = 4
	lastingLines = 4
)

type outageTest struct {
	*testBed
	w *ways

	events map[string]int // how many emergency calls were refused, by the alarm's key
	begun  []int          // lines whose alarm has begun
	over   []int          // lines whose alarm has ended

	mu        sync.Mutex
	published []told            // on the topic of the events
	states    map[string]string // the message that brought the state, by the alarm's key
	words     map[string]string // on or off, by the same
}

func newOutage(t *testing.T) *outageTest {
	w := newWays(t)
	o := &outageTest{w: w, events: map[string]int{}, states: map[string]string{}, words: map[string]string{}}
	w.follow(t, func(topic string, payload []byte) {
		o.mu.Lock()
		defer o.mu.Unlock()
		switch {
		case topic == alarmTopic+"/event":
			o.published = append(o.published, parse(t, string(payload)))
		case strings.HasPrefix(topic, alarmTopic+"/state/"):
			var s struct{ State, Message, Key string }
			if err := json.Unmarshal(payload, &s); err != nil {
				t.Errorf("%s: %v: %s", topic, err, payload)
			}
			o.states[s.Key], o.words[s.Key] = s.Message, s.State
		}
	})
	o.testBed = newTestBedOf(t, testBedSetup{lines: helpLines + lastingLines, journal: true, more: w.file()})
	return o
}

// expectEvent makes an emergency call that is refused.
func (o *outageTest) expectEvent(line int) {
	o.helpRefused(line)
	o.events[fmt.Sprintf("line/seat-%d/emergency-failed", line)]++
}

// lasting returns some of the lines whose alarms last.
func (o *outageTest) lasting(from, to int) (lines []int) {
	for n := from; n < to; n++ {
		lines = append(lines, helpLines+n)
	}
	return lines
}

// fail makes the board refuse an opening of the line, so that it is unknown whether the loop is closed.
func (o *outageTest) fail(line int) {
	o.t.Helper()
	o.x.call(line)
	require.Equal(o.t, line, o.lineUp())
	o.board.fail(line, true)
	o.x.hangUp(line)
	o.begun = append(o.begun, line)
}

// mend ends the alarm of a line.
func (o *outageTest) mend(line int) {
	o.board.fail(line, false)
	o.over = append(o.over, line)
}

// play is the outage.
func (o *outageTest) play() {
	began := time.Now()
	at := func(share float64) { <-time.After(time.Until(began.Add(time.Duration(share * float64(*outage))))) }
	o.w.access(o.t, refuses)
	at(0.1)
	for line := range helpLines {
		o.expectEvent(line)
	}
	at(0.2)
	for _, line := range o.lasting(0, lastingLines) {
		o.fail(line)
	}
	at(0.4)
	for _, line := range o.lasting(0, 2) {
		o.mend(line)
	}
	at(0.6)
	for line := range helpLines {
		o.expectEvent(line)
	}
	at(1)
	o.t.Logf("attempts until the ways work again: %v; on the disk: %d messages", o.w.attempts(o.t), len(o.folder()))
	for _, b := range []*inbox{o.w.mail.inbox, o.w.webhook} {
		b.lose(1)
	}
	o.w.access(o.t, serves)
}

// access sets how the other side of each way treats attempts.
func (w *ways) access(t testing.TB, now access) {
	t.Helper()
	for _, d := range []*door{w.mail.door, w.web, w.brokers} {
		d.set(now)
	}
	if now == serves {
		require.NoError(t, os.Remove(w.programRefuses))
	} else {
		require.NoError(t, os.WriteFile(w.programRefuses, nil, 0o600))
	}
}

// set changes the access. Connections that are open end.
func (d *door) set(now access) {
	d.mu.Lock()
	d.now = now
	d.mu.Unlock()
	d.cut()
}

// lose makes the next acknowledgements get lost.
func (b *inbox) lose(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.loses = n
}

func (b *inbox) list() []notice {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.all)
}

// follow receives what is published below the topic, until the test ends. The connection is not that of the daemon.
func (w *ways) follow(t testing.TB, take func(topic string, payload []byte)) {
	t.Helper()
	b, err := broker.New(broker.Options{Address: "mqtt://" + w.mosquitto.Address(), Timeout: testTimeout,
		KeepAlive: time.Minute})
	require.NoError(t, err)
	c, err := b.Dial(context.Background(), broker.Session{ClientID: broker.Unique(),
		Will: broker.Message{Topic: "watcher"}, Subscribe: []broker.Subscription{{Topic: alarmTopic + "/#"}},
		Receive: func(_ *broker.Conn, p broker.Publication) { take(p.Topic, p.Payload) }})
	require.NoError(t, err)
	t.Cleanup(c.Reset)
}

// told is what the tests read of a message's JSON, as deploy/operation.md describes it.
type told struct {
	ID     string
	At     time.Time
	Kind   string
	Alarms []struct {
		Key, Reason  string
		Since, Until time.Time
	}
}

func parse(t testing.TB, text string) (m told) {
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		t.Errorf("%v: %s", err, text)
	}
	return m
}

// ran returns what the program was given.
func (w *ways) ran(t testing.TB) (all []notice) {
	t.Helper()
	text, err := os.ReadFile(w.programRuns)
	if !os.IsNotExist(err) {
		require.NoError(t, err)
	}
	for line := range strings.SplitSeq(string(text), "\n") {
		if strings.HasSuffix(line, "}") {
			all = append(all, notice{id: parse(t, line).ID, text: line})
		}
	}
	return all
}

// counts returns how often each message arrived.
func counts(all []notice) map[string]int {
	n := map[string]int{}
	for _, one := range all {
		n[one.id]++
	}
	return n
}

// missing returns what is expected and not in the messages; "" if nothing is. Each message counts once.
func (o *outageTest) missing(all []notice) string {
	events, begun, ended := map[string]int{}, map[int]bool{}, map[int]bool{}
	seen := map[string]bool{}
	for _, one := range all {
		if seen[one.id] {
			continue
		}
		seen[one.id] = true
		for _, a := range parse(o.t, one.text).Alarms {
			var line int
			if _, err := fmt.Sscanf(a.Key, "line/seat-%d/", &line); err != nil {
				continue
			}
			switch {
			case strings.HasSuffix(a.Key, "/emergency-failed"):
				events[a.Key]++
			case a.Until.IsZero():
				begun[line] = true
			default:
				ended[line] = true
			}
		}
	}
	for key, n := range o.events {
		if events[key] != n {
			return fmt.Sprintf("%s: %d, expected %d", key, events[key], n)
		}
	}
	for _, line := range o.begun {
		if !begun[line] {
			return fmt.Sprintf("the begin of seat-%d", line)
		}
	}
	for _, line := range o.over {
		if !ended[line] {
			return fmt.Sprintf("the end of seat-%d", line)
		}
	}
	return ""
}

// complete reports what the other sides of the ways still miss; "" if that is nothing.
func (o *outageTest) complete() string {
	hook, program := o.w.webhook.list(), o.w.ran(o.t)
	for way, all := range map[string][]notice{wayWebhook: hook, wayProgram: program} {
		if what := o.missing(all); what != "" {
			return way + " misses " + what
		}
	}
	ids := slices.Sorted(maps.Keys(counts(hook)))
	for way, all := range map[string][]notice{wayMail: o.w.mail.list(), wayProgram: program} {
		if !slices.Equal(ids, slices.Sorted(maps.Keys(counts(all)))) {
			return fmt.Sprintf("%s has other messages than %s", way, wayWebhook)
		}
	}
	newest := map[string]told{} // by the alarm's key
	for _, one := range hook {
		m := parse(o.t, one.text)
		for _, a := range m.Alarms {
			if newest[a.Key].At.Before(m.At) {
				newest[a.Key] = m
			}
		}
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	for key, m := range newest {
		if o.states[key] != m.ID {
			return fmt.Sprintf("%s does not have the newest state of %s", wayMQTT, key)
		}
	}
	return ""
}

// awaitAll waits until nothing is missing. An ordinary message waits for at most 10 min after many failures, and the
// end of an alarm for 1 min (packages alarms and alarm).
func (o *outageTest) awaitAll(what string, missing func() string) {
	o.t.Helper()
	every := time.NewTicker(100 * time.Millisecond)
	defer every.Stop()
	for limit := time.After(13 * time.Minute); ; {
		why := missing()
		if why == "" {
			return
		}
		select {
		case <-every.C:
		case <-limit:
			o.t.Fatalf("%s: %s: %s", what, why, o.log())
		}
	}
}

// folder returns the names of the messages on the daemon's disk.
func (o *outageTest) folder() (names []string) {
	all, err := os.ReadDir(filepath.Join(o.dir, "alarms"))
	require.NoError(o.t, err)
	for _, f := range all {
		names = append(names, f.Name())
	}
	return names
}

// check checks that nothing arrived twice, but for what was not acknowledged, and that nothing waits.
func (o *outageTest) check(back time.Time) {
	o.t.Helper()
	twice := func(n map[string]int) (all []string) {
		for id, times := range n {
			if times != 1 {
				all = append(all, fmt.Sprintf("%s: %d times", id, times))
			}
		}
		return all
	}
	published := map[string]int{}
	o.mu.Lock()
	for _, m := range o.published {
		published[m.ID]++
	}
	words := maps.Clone(o.words)
	o.mu.Unlock()
	mail, hook, program := o.w.mail.list(), o.w.webhook.list(), o.w.ran(o.t)
	require.Len(o.t, twice(counts(mail)), 1, "its acknowledgement was lost")
	require.Len(o.t, twice(counts(hook)), 1, "its acknowledgement was lost")
	require.Len(o.t, mail, len(counts(mail))+1)
	require.Len(o.t, hook, len(counts(hook))+1)
	require.Empty(o.t, twice(counts(program)))
	require.Empty(o.t, twice(published))
	for key, word := range words {
		require.Equal(o.t, "off", word, "%s: nothing lasts", key)
	}
	for way, all := range map[string][]notice{wayMail: mail, wayWebhook: hook} {
		after := slices.IndexFunc(all, func(n notice) bool { return n.at.After(back) })
		o.t.Logf("%s: %d messages; the first %v after the end of the outage", way, len(counts(all)),
			all[after].at.Sub(back).Round(100*time.Millisecond))
	}
	o.t.Logf("%s: %d messages; %s: %d of them, and the newest state of %d alarms", wayProgram, len(program), wayMQTT,
		len(published), len(words))
	o.t.Logf("attempts: %v", o.w.attempts(o.t))
}
