package metrics

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/alarms"
	"clearback/bridge/control"
	"clearback/bridge/programtest"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
)

// bed is the numbers of a daemon with one line, whose record is a real one.
type bed struct {
	*Metrics
	t        testing.TB
	line     *Line
	recorder *callrecord.Recorder
	daemon   control.Daemon
	standing map[alarm.Class]int
	ways     map[string]alarms.Status
	now      time.Time
}

func newBed(t testing.TB) *bed {
	b := &bed{t: t, recorder: callrecord.NewRecorder("box-office"), now: time.Date(2026, 3, 14, 19, 30, 0, 0, time.UTC)}
	b.daemon.Lines = []control.Line{{Name: "box-office",
		Service:  control.Service{Registers: true, Registered: true},
		Contact:  control.Contact{Driver: "modbus", Controller: "relays"},
		Interval: control.Interval{Milliseconds: 900, Configured: 800}, Calls: []control.Call{{Call: 1}}}}
	b.daemon.Journal = control.Journal{Path: "journal.db", Written: 12, Dropped: 3, Queued: 2}
	b.daemon.Counts = []control.Count{{Name: "challenges", Count: 4}, {Name: "wrong passwords", Count: 5, Rejected: true}}
	b.Metrics = New("v0.0.0-millrace", func() State { return State{b.daemon, []*Line{b.line}, b.standing, b.ways} })
	b.line = b.NewLine()
	return b
}

func (b *bed) after(d time.Duration) *bed {
	b.now = b.now.Add(d)
	return b
}

func (b *bed) take(e callrecord.Entry) *bed {
	e.At, e.Line = b.now, "box-office"
	accounts, incidents := b.recorder.Take(e)
	b.line.Record(&e, accounts, incidents)
	return b
}

func (b *bed) event(ev supervision.Event) *bed { return b.take(callrecord.Entry{Event: ev}) }

func (b *bed) effect(ef supervision.Effect) *bed { return b.take(callrecord.Entry{Effect: ef}) }

// exposition returns the numbers in Prometheus's text format. The series of a family are sorted by their labels, since
// the order in a scrape means nothing.
func (b *bed) exposition() []byte {
	b.t.Helper()
	families, err := b.Gather()
	require.NoError(b.t, err)
	var out bytes.Buffer
	for _, f := range families {
		slices.SortStableFunc(f.Metric, func(a, b *dto.Metric) int {
			return slices.CompareFunc(a.Label, b.Label, func(a, b *dto.LabelPair) int {
				return strings.Compare(a.GetValue(), b.GetValue())
			})
		})
		_, err := expfmt.MetricFamilyToText(&out, f)
		require.NoError(b.t, err)
	}
	return out.Bytes()
}

// series returns the series of ours whose names have one of the prefixes, without the buckets of histograms.
func (b *bed) series(prefixes ...string) (all []string) {
	b.t.Helper()
	for line := range strings.Lines(string(b.exposition())) {
		line = strings.TrimSpace(line)
		if !strings.Contains(line, "_bucket{") && slices.ContainsFunc(prefixes, func(p string) bool {
			return strings.HasPrefix(line, "clearback_"+p)
		}) {
			all = append(all, strings.TrimPrefix(line, "clearback_"))
		}
	}
	return all
}

// call makes an answered call whose far end clears by BYE after a minute.
func (b *bed) call(id supervision.CallID) *bed {
	return b.event(supervision.Event{Kind: supervision.CallArrived, Call: id}).
		effect(supervision.Effect{Kind: supervision.OfferCall, Call: id}).
		event(supervision.Event{Kind: supervision.CallAnswered, Call: id}).after(time.Minute).
		event(supervision.Event{Kind: supervision.FarEndCleared, Call: id, Evidence: supervision.EvidenceBye})
}

// opens opens the loop 4 ms after the clearing, for 801 ms. hook is what is seen afterwards.
func (b *bed) opens(id supervision.CallID, seq supervision.Seq, hook supervision.Hook) *bed {
	return b.effect(supervision.Effect{Kind: supervision.OpenLoop, Call: id, Seq: seq,
		Interval: 800 * time.Millisecond}).
		after(4 * time.Millisecond).event(supervision.Event{Kind: supervision.LoopOpened, Seq: seq}).
		after(801 * time.Millisecond).
		event(supervision.Event{Kind: supervision.LoopClosed, Seq: seq, Took: 801 * time.Millisecond}).
		effect(supervision.Effect{Kind: supervision.Report, Report: supervision.ReportInterrupted, Call: id, Seq: seq,
			Interval: 800 * time.Millisecond, Hook: hook, Verified: supervision.VerificationProbe})
}

// A call that clears, and whose hold clears, is counted once in each number, with the times of its events.
func TestClearing(t *testing.T) {
	b := newBed(t)
	b.call(7).opens(7, 1, supervision.HookOn).
		event(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 7, Answer: supervision.AnswerConfirmed}).
		event(supervision.Event{Kind: supervision.LoopClosed, Seq: 1}) // a repetition
	require.Equal(t, []string{
		`bye_to_open_seconds_sum 0.004`, `bye_to_open_seconds_count 1`,
		`calls_total{line="box-office",outcome="cleared"} 1`,
		`clearings_total{evidence="bye",line="box-office"} 1`,
		`interruption_asked_seconds_sum 0.8`, `interruption_asked_seconds_count 1`,
		`interruption_measured_seconds_sum 0.801`, `interruption_measured_seconds_count 1`,
		`interruptions_total{failure="none",line="box-office"} 1`,
		`verifications_total{by="probe",hook="on",line="box-office"} 1`,
	}, b.series("bye", "calls", "clearings", "interruption", "verifications", "suppressed"))
}

// What is no answer to a BYE is not in its histogram: a repetition of the opening, and an opening by hand. An opening
// that fails is counted with its reason, and has no length.
func TestOtherOpenings(t *testing.T) {
	b := newBed(t)
	b.call(7).opens(7, 1, supervision.HookOff).opens(7, 2, supervision.HookOn)
	b.opens(0, 3, supervision.HookUnknown)
	b.effect(supervision.Effect{Kind: supervision.OpenLoop, Seq: 4, Interval: time.Second}).
		event(supervision.Event{Kind: supervision.LoopFailed, Seq: 4, Failure: supervision.FailureUnreachable}).
		event(supervision.Event{Kind: supervision.LoopClosed})
	require.Equal(t, []string{
		`bye_to_open_seconds_sum 0.004`, `bye_to_open_seconds_count 1`,
		`calls_total{line="box-office",outcome="hold-stayed"} 1`,
		`interruptions_total{failure="none",line="box-office"} 3`,
		`interruptions_total{failure="unreachable",line="box-office"} 1`,
		`verifications_total{by="probe",hook="off",line="box-office"} 1`,
		`verifications_total{by="probe",hook="on",line="box-office"} 1`,
		`verifications_total{by="probe",hook="unknown",line="box-office"} 1`,
	}, b.series("bye", "calls", "interruptions", "verifications"))
}

// A trial is no call of the line, and is not in its numbers. Nor is its result, since a session looks for intervals
// that fail, and a catch trial opens nothing.
func TestTrialIsNoCall(t *testing.T) {
	b := newBed(t)
	b.recorder.AddCallInfo(callrecord.CallInfo{Call: 7, Test: true})
	b.call(7).opens(7, 1, supervision.HookOn)
	require.Equal(t, []string{`bye_to_open_seconds_sum 0`, `bye_to_open_seconds_count 0`},
		b.series("bye", "calls", "clearings"))
	b = newBed(t)
	b.effect(supervision.Effect{Kind: supervision.Report, Report: supervision.ReportInterrupted, Call: 7,
		Hook: supervision.HookOff, Verified: supervision.VerificationProbe, Trial: true})
	require.Empty(t, b.series("verifications"))
}

// A reload that removes a line takes nothing from the totals of the daemon.
func TestRemovedLine(t *testing.T) {
	b := newBed(t)
	b.line.Media(&callrecord.Media{FarEnd: callrecord.Reception{Packets: 90, Late: 4, Dropped: 3}})
	b.daemon.Lines = nil
	require.Equal(t, []string{`rtp_dropped_packets_total{from="adapter"} 0`,
		`rtp_dropped_packets_total{from="far-end"} 3`, `rtp_late_packets_total{from="adapter"} 0`,
		`rtp_late_packets_total{from="far-end"} 4`}, b.series("rtp_late", "rtp_dropped"))
}

// An incident is counted when it begins, and stands until it ends. One that concerns a single call ends at once; its
// count is there with 0 from the start, so that an alert sees the first one.
func TestIncidents(t *testing.T) {
	b := newBed(t)
	b.effect(supervision.Effect{Kind: supervision.Report, Report: supervision.ReportIncident,
		Incident: supervision.IncidentLoopOpen})
	require.Equal(t, []string{`incident{line="box-office",reason="loop-open"} 1`}, b.series("incident{"))
	b.effect(supervision.Effect{Kind: supervision.Report, Report: supervision.ReportIncidentEnded,
		Incident: supervision.IncidentLoopOpen})
	require.Equal(t, []string{`incident{line="box-office",reason="loop-open"} 0`}, b.series("incident{"))
	b.event(supervision.Event{Kind: supervision.CallRequested, Call: 9, Emergency: true})
	for _, report := range []supervision.ReportKind{supervision.ReportIncident, supervision.ReportIncidentEnded} {
		b.effect(supervision.Effect{Kind: supervision.Report, Report: report, Call: 9,
			Incident: supervision.IncidentEmergencyFailed})
	}
	b.effect(supervision.Effect{Kind: supervision.Report, Report: supervision.ReportSuppressed, Call: 9,
		Suppression: supervision.SuppressedUnanswered})
	require.Equal(t, []string{
		`calls_total{line="box-office",outcome="incident"} 1`,
		`emergency_calls_total{line="box-office"} 1`,
		`incidents_total{line="box-office",reason="emergency-abandoned"} 0`,
		`incidents_total{line="box-office",reason="emergency-failed"} 1`,
		`incidents_total{line="box-office",reason="far-end-silent"} 0`,
		`incidents_total{line="box-office",reason="loop-open"} 1`,
		`incidents_total{line="box-office",reason="no-sound"} 0`,
		`incidents_total{line="box-office",reason="unlisted-prefix"} 0`,
		`suppressed_total{line="box-office",rule="unanswered"} 1`,
	}, b.series("calls", "emergency_calls", "incidents", "suppressed"))
}

func TestMedia(t *testing.T) {
	b := newBed(t)
	b.line.Media(&callrecord.Media{
		Adapter: callrecord.Reception{Packets: 100, Lost: -2, Late: 2, Jitter: 1.5},
		FarEnd:  callrecord.Reception{Packets: 90, Lost: 10, Dropped: 3, Jitter: 12},
	})
	b.EmergencyPassed(2 * time.Millisecond)
	require.Equal(t, []string{
		`emergency_passed_seconds_sum 0.002`, `emergency_passed_seconds_count 1`,
		`rtp_dropped_packets_total{from="adapter"} 0`, `rtp_dropped_packets_total{from="far-end"} 3`,
		`rtp_jitter_seconds_sum{from="adapter"} 0.0015`, `rtp_jitter_seconds_count{from="adapter"} 1`,
		`rtp_jitter_seconds_sum{from="far-end"} 0.012`, `rtp_jitter_seconds_count{from="far-end"} 1`,
		`rtp_late_packets_total{from="adapter"} 2`, `rtp_late_packets_total{from="far-end"} 0`,
		`rtp_lost_packets_total{from="adapter",line="box-office"} 0`,
		`rtp_lost_packets_total{from="far-end",line="box-office"} 10`,
		`rtp_packets_total{from="adapter",line="box-office"} 100`,
		`rtp_packets_total{from="far-end",line="box-office"} 90`,
	}, b.series("rtp", "emergency_passed"))
}

// The numbers of the control socket are those that it has.
func TestState(t *testing.T) {
	b := newBed(t)
	l := &b.daemon.Lines[0]
	l.Second, l.Fault, l.Contact.Problem = &control.Service{Registers: true}, "loop-open", "close failing"
	b.daemon.Problems, b.daemon.Journal.Problem = []string{"an address"}, "the disk is full"
	b.daemon.Waiting = []control.Waiting{{Line: "box-office", Change: "changed"}, {Line: "stage-door", Change: "contact"}}
	require.Equal(t, []string{
		`active_calls{line="box-office"} 1`, `adapter_registered{line="box-office"} 0`,
		`build_info{goversion="` + runtime.Version() + `",version="v0.0.0-millrace"} 1`,
		`contact_trouble{controller="relays",line="box-office"} 1`, `contacts_left 1`,
		`interval_configured_seconds{line="box-office"} 0.8`, `interval_seconds{line="box-office"} 0.9`,
		`journal_dropped_records_total 3`, `journal_healthy 0`, `journal_queued_records 2`,
		`journal_written_records_total 12`, `loop_faulted{line="box-office"} 1`, `missing_addresses 1`,
		`network_total{what="challenges"} 4`, `rejected_total{what="wrong passwords"} 5`,
		`service_registered{line="box-office",service="first"} 1`,
		`service_registered{line="box-office",service="second"} 0`, `waiting_changes 1`,
	}, b.series("active", "adapter", "build", "contact", "interval", "journal", "loop", "missing", "network", "rejected",
		"service", "waiting"))
	require.Equal(t, []string{"this machine does not have every address of the file", "the journal cannot be written",
		"a contact that a reload took from its line is not known closed",
		"line box-office: its contact is not known to be as the daemon wants it"}, Unready(&b.daemon))
	require.Empty(t, Unready(&newBed(t).daemon))
}

// The numbers of the alarms are those of each way, by its name in the file. No series is there without ways.
func TestAlarms(t *testing.T) {
	b := newBed(t)
	require.Empty(t, b.series("alarm"))
	b.standing = map[alarm.Class]int{alarm.ClassLoop: 2, alarm.ClassWay: 0}
	b.ways = map[string]alarms.Status{
		"office-mail": {Waiting: 3, Refused: 2, Dropped: 1, Failure: "550", Since: b.now, Oldest: time.Now().Add(time.Hour),
			Attempts: alarms.Attempts{Accepted: 7, Failed: 4, Refused: 5}},
		"horn": {},
	}
	require.Equal(t, []string{
		`alarm_attempts_total{result="accepted",way="horn"} 0`, `alarm_attempts_total{result="accepted",way="office-mail"} 7`,
		`alarm_attempts_total{result="failed",way="horn"} 0`, `alarm_attempts_total{result="failed",way="office-mail"} 4`,
		`alarm_attempts_total{result="refused",way="horn"} 0`, `alarm_attempts_total{result="refused",way="office-mail"} 5`,
		`alarm_messages_dropped_total{way="horn"} 0`, `alarm_messages_dropped_total{way="office-mail"} 1`,
		`alarm_messages_waiting{way="horn"} 0`, `alarm_messages_waiting{way="office-mail"} 5`,
		`alarm_oldest_waiting_seconds{way="horn"} 0`, `alarm_oldest_waiting_seconds{way="office-mail"} 0`,
		`alarm_way_failing{way="horn"} 0`, `alarm_way_failing{way="office-mail"} 1`,
		`alarms_standing{class="loop"} 2`, `alarms_standing{class="way"} 0`,
	}, b.series("alarm"))
}

// everything returns numbers in which every set of words has counted every word, and the state has text from outside.
func everything(t testing.TB) *bed {
	b := newBed(t)
	b.call(7).opens(7, 1, supervision.HookOn)
	for i := range uint8(wordsMost) {
		for _, c := range []struct {
			of   *counts
			word fmt.Stringer
		}{
			{&b.line.outcomes, callrecord.Outcome(i)}, {&b.line.evidence, supervision.Evidence(i)},
			{&b.line.results, supervision.Failure(i)}, {&b.line.suppressions, supervision.Suppression(i)},
			{&b.line.begun, supervision.Incident(i)},
		} {
			if !regexp.MustCompile(`^[0-9]+$`).MatchString(c.word.String()) {
				c.of.add(i)
			}
		}
	}
	l := &b.daemon.Lines[0]
	l.Contact.Problem, l.Adapter.UserAgent, l.Adapter.Address = "said by a device", "Millrace 2.1", "sip:192.0.2.21"
	l.Service.Problem, l.Location = "said by a service", "the foyer"
	l.Calls[0].Number, l.Adapter.Refused = "555-0199", &control.Refusal{From: "192.0.2.99", User: "guess"}
	b.daemon.Refused, b.daemon.Problems = l.Adapter.Refused, []string{"192.0.2.98"}
	b.standing = map[alarm.Class]int{alarm.ClassLoop: 2, alarm.ClassWay: 0}
	b.ways = map[string]alarms.Status{"office-mail": {Failure: "said by a server"}, "horn": {}}
	return b
}

// The library's own parser and linter accept the exposition, and so does promtool.
func TestExposition(t *testing.T) {
	text := everything(t).exposition()
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(text))
	require.NoError(t, err)
	require.Contains(t, families, "process_open_fds")
	problems, err := promlint.New(bytes.NewReader(text)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	tool := exec.Command(programtest.Need(t, "promtool", "prometheus"), "check", "metrics")
	tool.Stdin = bytes.NewReader(text)
	out, err := tool.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Empty(t, string(out))
}

// No label and no help has text from outside.
func TestNothingFromOutside(t *testing.T) {
	text := string(everything(t).exposition())
	for _, s := range []string{"said by", "Millrace 2.1", "192.0.2", "555-0199", "guess", "foyer"} {
		assert.NotContains(t, text, s)
	}
	require.Contains(t, text, "box-office", "names of the file are there")
}

// Every set of words fits into the counts. A word that did not fit would not be counted.
func TestWordsFit(t *testing.T) {
	for name, word := range map[string]fmt.Stringer{
		"outcome": callrecord.Outcome(wordsMost), "evidence": supervision.Evidence(wordsMost),
		"failure": supervision.Failure(wordsMost), "rule": supervision.Suppression(wordsMost),
		"incident": supervision.Incident(wordsMost), "hook": supervision.Hook(wordsMost >> 2),
		"verification": supervision.Verification(4),
	} {
		require.Regexp(t, `^[0-9]+$`, word.String(), name)
	}
}

// Without metrics a line counts nothing, at no cost.
func TestNoMetrics(t *testing.T) {
	var m *Metrics
	l := m.NewLine()
	require.Zero(t, testing.AllocsPerRun(10, func() {
		l.Record(&callrecord.Entry{}, nil, nil)
		l.Media(&callrecord.Media{})
	}))
}

// Counting allocates nothing.
func TestRecordAllocates(t *testing.T) {
	b := newBed(t)
	e := callrecord.Entry{Event: supervision.Event{Kind: supervision.FarEndCleared, Call: 1}}
	accounts := []callrecord.Account{{Call: 1, Outcome: callrecord.OutcomeCleared}}
	require.Zero(t, testing.AllocsPerRun(100, func() { b.line.Record(&e, accounts, nil) }))
}

// An alert sees every incident: a rule shows those that last, and others show the reasons that concern one call only.
func TestAlertsShowEveryIncident(t *testing.T) {
	rules, err := os.ReadFile("../../deploy/alerts.yaml")
	require.NoError(t, err)
	require.Contains(t, string(rules), "expr: clearback_incident == 1\n")
	for i := range supervision.Incident(wordsMost) {
		if i.OfCall() {
			require.Regexp(t, `incidents_total\{reason=~?"([a-z-]+\|)*`+i.String()+`[|"]`, string(rules))
		}
	}
}

// The rules that we ship use names that there are.
func TestAlertsNameMetrics(t *testing.T) {
	rules, err := os.ReadFile("../../deploy/alerts.yaml")
	require.NoError(t, err)
	text := everything(t).exposition()
	named := regexp.MustCompile(`clearback_[a-z_]+`).FindAll(rules, -1)
	require.NotEmpty(t, named)
	for _, name := range named {
		require.Regexp(t, `(?m)^`+string(name)+`[ {]`, string(text))
	}
}

// hundredLines returns the numbers of 100 lines, each with the words that calls usually count.
func hundredLines(t testing.TB) *bed {
	b := newBed(t)
	b.daemon.Lines = slices.Repeat(b.daemon.Lines, 100)
	lines := make([]*Line, len(b.daemon.Lines))
	b.Metrics = New("v0", func() State { return State{b.daemon, lines, b.standing, b.ways} })
	for i := range lines {
		b.daemon.Lines[i].Name = fmt.Sprintf("box-office-%d", i)
		lines[i] = b.NewLine()
		l := lines[i]
		for _, c := range []*counts{&l.outcomes, &l.evidence, &l.results, &l.suppressions, &l.begun} {
			c.add(1)
		}
		l.outcomes.add(2)
		l.suppressions.add(2)
		l.verifications[1].Add(1)
	}
	return b
}

// A scrape of 100 lines stays below 200 kB.
func TestSizeOfAScrape(t *testing.T) {
	size := len(hundredLines(t).exposition())
	t.Logf("%d bytes", size)
	require.Greater(t, size, 100_000)
	require.Less(t, size, 200_000)
}

// TestAllocationsOfAScrape bounds what a scrape of 100 lines costs. It counts allocations, since those do not depend on
// the machine. Our own number: 6,600 were seen, and 35,000 when the library checked and sorted every series.
func TestAllocationsOfAScrape(t *testing.T) {
	b := hundredLines(t)
	each := testing.AllocsPerRun(5, func() {
		_, err := b.Gather()
		require.NoError(t, err)
	})
	t.Logf("%.0f allocations", each)
	require.Less(t, each, 10_000.0)
}

// TestSeriesDiffer checks what the library would check if it collected the series of the lines: no two series of a
// family have the same labels, and every label of a series has a value.
func TestSeriesDiffer(t *testing.T) {
	families, err := hundredLines(t).Gather()
	require.NoError(t, err)
	names := map[string]bool{}
	for _, f := range families {
		require.False(t, names[f.GetName()], "%s twice", f.GetName())
		names[f.GetName()] = true
		seen := map[string]bool{}
		for _, m := range f.Metric {
			labels := fmt.Sprint(m.Label)
			require.False(t, seen[labels], "%s %s twice", f.GetName(), labels)
			seen[labels] = true
			for _, l := range m.Label {
				require.NotEmpty(t, l.GetName(), f.GetName())
				require.NotEmpty(t, l.GetValue(), "%s %s", f.GetName(), l.GetName())
			}
		}
	}
	require.Greater(t, len(names), 40)
}
