package cli

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/supervision/callrecord"
)

// `lines` prints a table, and below it what somebody should know or do.
func TestPrintDaemon(t *testing.T) {
	now := time.Date(2026, 3, 1, 20, 15, 0, 0, time.Local)
	soon := now.Add(17 * time.Minute)
	var b strings.Builder
	printDaemon(&b, control.Daemon{
		Journal: control.Journal{Path: "/var/lib/clearback/journal.db", Problem: "the disk is full",
			Since: now.Add(-time.Minute), Dropped: 12},
		Problems: []string{"this machine does not have the address 192.0.2.10"},
		Refused: &control.Refusal{At: now, Age: 3000, From: "192.0.2.29:5060",
			Why: "no line's adapter has this address"},
		Counts: []control.Count{
			{Name: "media packets", Count: 90}, {Name: "wrong passwords", Count: 3, Rejected: true},
			{Name: "malformed messages", Rejected: true},
			{Name: "oversized messages", Count: 1, Rejected: true},
		},
		Lines: []control.Line{
			{
				Name: "box-office", Service: control.Service{Registers: true, Registered: true,
					Since: now.Add(-2 * time.Hour), Heard: now.Add(-time.Minute)},
				Adapter: control.Adapter{Bound: true, Address: "192.0.2.21:5060",
					Since: now.Add(-6 * time.Hour), Heard: now.Add(-time.Minute)},
				Loop: "closed", Contact: control.Contact{Driver: "modbus", Controller: "relays", Kind: "oneshot",
					Problem: "link lost", Since: now.AddDate(0, 0, -1)},
				Interval:     control.Interval{Milliseconds: 1000, Configured: 800, Stayed: 2},
				Verify:       control.Verify{By: "options", Trusted: true},
				Location:     "Box office, ground floor",
				LastClearing: &control.Clearing{Call: 41, At: now.Add(-90 * time.Second), Outcome: "incident"},
				Incident: &control.Incident{Reason: "suppressed", Rule: "other-call", Since: now.Add(-time.Hour),
					Advice: "Go and look."},
			}, {
				Name: "stage-door", Service: control.Service{Registers: true, Problem: "403 Forbidden",
					Since: now.AddDate(0, 0, -1)},
				Second: &control.Service{Registers: true, Registered: true, Since: now}, Loop: "open", Tuning: true,
				Adapter: control.Adapter{Heard: now.AddDate(0, 0, -1), Refused: &control.Refusal{
					At: now.Add(-time.Minute), Age: 12000, From: "192.0.2.22:5060", User: "door\x1b[2J",
					Why: "wrong user or password"}},
				Calls: []control.Call{{Call: 7, State: "answered", Number: "911", Emergency: true,
					Media: &callrecord.Media{FarEnd: callrecord.Reception{Packets: 999, Lost: 1, Silent: 240}}},
					{Call: 8, State: "waiting", Media: &callrecord.Media{}}},
				Contact:  control.Contact{Driver: "modbus", Controller: "relays", Kind: "none"},
				Interval: control.Interval{Milliseconds: 800, Configured: 800},
				Verify:   control.Verify{By: "sense"}, CallbackUntil: &soon, NoOpeningUntil: &soon,
				// The beginning of this incident is not known.
				Incident: &control.Incident{Reason: "off-hook-without-call", Advice: "Hang up what is off."},
			}, {
				Name: "green-room", Loop: "closed", LifeSafety: true, Contact: control.Contact{Driver: "none"},
				Interval: control.Interval{Milliseconds: 800, Configured: 800}, Verify: control.Verify{By: "none"},
			},
		},
	}, now)
	rows := strings.Split(b.String(), "\n")
	for i, want := range []string{
		`^LINE  +SERVICE  +SERVICE TIMES  +ADAPTER  +REGISTERED  +LAST HEARD  +CALLS  +LOOP  +CONTACT  +INTERVAL  +VERIFY  +LAST CLEARING$`,
		`^box-office  +registered  +registered 18:15, last heard 20:14  +192\.0\.2\.21:5060  +14:15  +20:14  +-  +closed  +relays, kind oneshot, LINK LOST since 2026-02-28 20:15  +1000 ms \(file: 800\)  +options  +call 41, 1m30s ago: incident$`,
		`^stage-door  +NOT registered: 403 Forbidden; second: registered  +since 2026-02-28 20:15; second: registered 20:15  +NOT registered  +-  +2026-02-28 20:15  +7 answered 911 EMERGENCY, 8 waiting  +open \(tuning\)  +relays, kind none  +800 ms  +sense, NOT trusted yet  +-$`,
		`^green-room  +no registration  +-  +NOT registered  +-  +-  +-  +closed \(life_safety\)  +none  +800 ms  +none  +-$`,
		`^box-office: INCIDENT suppressed \(other-call\) for 1h0m0s\. Go and look\.$`,
		`^box-office: location: Box office, ground floor$`,
		"^box-office: 2 of its holds did not clear, the first at 800 ms; clearings use 1000 ms now\\. `clearback keep box-office` writes that into the file\\.$",
		`^stage-door: INCIDENT off-hook-without-call\. Hang up what is off\.$`,
		`^stage-door: its adapter was refused 12s ago, from 192\.0\.2\.22:5060 as user "door\S*": wrong user or password$`,
		`^stage-door: call 7: far end heard 0\.2 s ago, lost 0\.1 %; adapter not heard yet$`,
		`^stage-door: after an emergency call; a call back is expected until 20:32:00$`,
		`^stage-door: too many openings; no clearing opens its loop until 20:32:00, or longer if the clearings continue$`,
		`^PROBLEM: this machine does not have the address 192\.0\.2\.10$`,
		`^an adapter of no known line was refused 3s ago, from 192\.0\.2\.29:5060 as user "": no line's adapter has this address$`,
		`^turned away since the start: 3 wrong passwords, 1 oversized messages$`,
		`^journal: the disk is full since 20:14:00; 12 records lost$`,
		`^$`,
	} {
		require.Greater(t, len(rows), i)
		assert.Regexp(t, want, rows[i])
	}
	b.Reset()
	printDaemon(&b, control.Daemon{}, now)
	assert.Contains(t, b.String(), "journal: none; nothing is recorded (journal.file)")
}
