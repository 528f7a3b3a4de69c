package callrecord

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"

	"clearback/supervision"
	"clearback/supervision/supervisiontest"
)

// failer has the methods of *testing.T and *rapid.T that the checks need.
type failer interface {
	Helper()
	Errorf(format string, args ...any)
}

// randomOrder returns the entries of one random order of events.
func randomOrder(seed uint64) []Entry {
	w := supervisiontest.NewSimulator()
	w.Ends = func([]supervisiontest.Violation) bool { return false } // other tests check the machine itself
	var r *recorder
	w.Run(seed, func(p supervision.Policy) supervisiontest.Stepper {
		r = &recorder{machine: supervision.New(p)}
		return r
	})
	return r.entries
}

// checkRendered compares accounts and incidents with simple counts of the entries. The entries include the beginning of
// every call. Package bridge gives a number to one call only, but a random order may use a number again. So only what
// happened since the account of that number began counts. An account whose number a second call used before the account
// was dropped is not checked that way.
func checkRendered(t failer, entries []Entry) {
	t.Helper()
	accounts, incidents := feed(entries)
	began := map[supervision.CallID]time.Time{}
	for i := range accounts {
		if call := accounts[i].Call; call != 0 {
			began[call] = accounts[i].Began
		}
	}
	type count struct{ calls, adopted, opened, began int }
	counts := map[supervision.CallID]*count{}
	of := func(id supervision.CallID) *count {
		if counts[id] == nil {
			counts[id] = &count{}
		}
		return counts[id]
	}
	var begun, ended int
	adapterRefused := false
	for i := range entries {
		switch e := &entries[i]; e.Event.Kind {
		case supervision.CallArrived, supervision.CallRequested, supervision.CallAdopted:
			c := of(e.Event.Call)
			c.calls++
			if e.Event.Kind == supervision.CallAdopted {
				c.adopted++
			}
			if e.At.Equal(began[e.Event.Call]) {
				c.opened, c.began = 0, 0
			}
		case supervision.AdapterRefused:
			if !adapterRefused {
				adapterRefused, begun = true, begun+1
			}
		case supervision.AdapterRegistered:
			if adapterRefused {
				adapterRefused, ended = false, ended+1
			}
		}
		switch ef := &entries[i].Effect; {
		case ef.Kind == supervision.OpenLoop:
			of(ef.Call).opened++
		case ef.Kind == supervision.Report && ef.Report == supervision.ReportIncident:
			of(ef.Call).began++
			begun++
		case ef.Kind == supervision.Report && ef.Report == supervision.ReportIncidentEnded:
			ended++
		}
	}
	byHand := 0
	for i := range accounts {
		a := &accounts[i]
		checkAccount(t, a)
		if a.Call == 0 {
			byHand++
			continue
		}
		c := of(a.Call)
		if a.Direction == DirectionUnknown {
			if c.calls < 2 && c.adopted == 0 {
				t.Errorf("call %d: its account began at %v with something that the machine did", a.Call, a.Began)
			}
			continue
		}
		if a.Openings > c.opened {
			t.Errorf("call %d: %d openings told, %d commanded", a.Call, a.Openings, c.opened)
		}
		if (c.opened > 0) != (a.Asked > 0) && !a.Trial {
			t.Errorf("call %d: asked for %s, %d openings commanded", a.Call, a.Asked, c.opened)
		}
		if (c.began > 0) != (a.Outcome == OutcomeIncident || a.beganAsIncident()) {
			t.Errorf("call %d: %s, %d incidents began", a.Call, a.Outcome, c.began)
		}
	}
	if n := of(0).opened; n != byHand {
		t.Errorf("%d accounts by hand, %d openings by hand", byHand, n)
	}
	open := 0
	for i := range incidents {
		if incidents[i].Ended.IsZero() {
			open++
		}
	}
	if len(incidents) != begun || open != begun-ended {
		t.Errorf("%d incidents told, %d open; %d began, %d ended", len(incidents), open, begun, ended)
	}
}

// checkAccount checks what holds for every account.
func checkAccount(t failer, a *Account) {
	t.Helper()
	if (a.Outcome == OutcomeInProgress) != a.Ended.IsZero() {
		t.Errorf("call %d: outcome %s, ended %v", a.Call, a.Outcome, a.Ended)
	}
	if (a.ClearedBy == ClearedByNobody) != a.Cleared.IsZero() {
		t.Errorf("call %d: cleared by %s at %v", a.Call, a.ClearedBy, a.Cleared)
	}
	if a.Evidence != supervision.EvidenceNone && a.ClearedBy != ClearedByFarEnd && a.Outcome != OutcomeRefused {
		t.Errorf("call %d: evidence %s, cleared by %s", a.Call, a.Evidence, a.ClearedBy)
	}
	if a.Outcome == OutcomeCleared && a.Hook != supervision.HookOn {
		t.Errorf("call %d: cleared, hook %s", a.Call, a.Hook)
	}
	if (a.Verified == supervision.VerificationNone) != (a.Hook == supervision.HookUnknown) {
		t.Errorf("call %d: hook %s, verified %s", a.Call, a.Hook, a.Verified)
	}
	if a.Outcome == OutcomeIncident && a.Incident == supervision.IncidentNone || a.Outcome != OutcomeIncident &&
		!a.IncidentEnded.IsZero() && !a.beganAsIncident() {
		t.Errorf("call %d: %s, incident %s, ended %v", a.Call, a.Outcome, a.Incident, a.IncidentEnded)
	}
	if n := len(Row(*a)); n != len(Header()) {
		t.Errorf("%d columns, %d titles", n, len(Header()))
	}
	if n := len(a.CSV()); n != len(CSVHeader()) {
		t.Errorf("%d fields, %d titles", n, len(CSVHeader()))
	}
	if a.Why() == "" || a.Advice() == "" || strings.Contains(a.Advice(), "LINE") {
		t.Errorf("why %q, advice %q", a.Why(), a.Advice())
	}
}

// fromEnvironment returns the number in an environment variable, or else the usual one.
func fromEnvironment(t *testing.T, name string, usual uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return usual
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s=%q: %v", name, text, err)
	}
	return n
}

// TestRandomOrders uses CLEARBACK_ORDERS and CLEARBACK_SEED in the same way as the tests of supervisiontest.
func TestRandomOrders(t *testing.T) {
	seed := fromEnvironment(t, "CLEARBACK_SEED", rand.Uint64())
	for i := range fromEnvironment(t, "CLEARBACK_ORDERS", 1500) {
		checkRendered(t, randomOrder(seed+i))
		if t.Failed() {
			t.Fatalf("CLEARBACK_SEED=%d CLEARBACK_ORDERS=1 repeats this", seed+i)
		}
	}
}

// anyParty returns texts from outside, which may be anything.
func anyParty(t *rapid.T) Party {
	text := rapid.OneOf(rapid.String(), rapid.StringN(0, 200, -1),
		rapid.SampledFrom([]string{"", "5550142", "\x1b[2J", "=1+1", "\xff\u202ea"}))
	return Party{Number: text.Draw(t, "number"), Name: text.Draw(t, "name"), CallID: text.Draw(t, "call-id")}
}

// TestExplainAnything checks that entries in any order give a text that fits the width, prints, and is always the same.
func TestExplainAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := randomOrder(rapid.Uint64().Draw(t, "seed"))
		accounts, _ := feed(entries)
		if rapid.IntRange(0, 9).Draw(t, "shuffled") == 0 {
			r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 0))
			r.Shuffle(len(entries), func(i, j int) { entries[i], entries[j] = entries[j], entries[i] })
			more, _ := feed(entries)
			accounts = append(accounts, more...)
		}
		accounts = append(accounts, Account{}, Account{Line: "box-office", Call: 3, Outcome: OutcomeBrokenOff,
			Answered: zero})
		width := rapid.IntRange(0, 200).Draw(t, "width")
		party := anyParty(t)
		for _, a := range accounts {
			a.Party = party
			text := Explain(a, entries, width)
			if again := Explain(a, entries, width); again != text {
				t.Errorf("not the same twice:\n%s\n%s", text, again)
			}
			for line := range strings.Lines(text) {
				line = strings.TrimSuffix(line, "\n")
				if n := utf8.RuneCountInString(line); n > max(width, 60) {
					t.Errorf("%d columns of %d: %q", n, width, line)
				}
				if strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) {
					t.Errorf("does not print: %q", line)
				}
			}
			for _, cell := range Row(a) {
				if strings.ContainsFunc(cell, func(r rune) bool { return !unicode.IsPrint(r) }) ||
					utf8.RuneCountInString(cell) > 60 {
					t.Errorf("cell %q", cell)
				}
			}
			if _, err := json.Marshal(a.JSON()); err != nil {
				t.Errorf("%v", err)
			}
			checkDrawing(t, text)
		}
	})
}

var legendItem = regexp.MustCompile(`(?:^|; )([A-Za-z]) ([+-][0-9:.]+)(?: s)? [a-zA-Z]`)

// checkDrawing checks a drawing as a person reads it. The letters are in the order of the legend, the times of the
// legend rise, and each column shows one state of the loop.
func checkDrawing(t failer, text string) {
	t.Helper()
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if !strings.HasPrefix(line, "  closed  ") {
			continue
		}
		closed, open, letters := line[10:], strings.TrimPrefix(lines[i+1], "  open"),
			strings.ReplaceAll(lines[i+2], " ", "")
		open = strings.TrimPrefix(open, "    ")
		for n := range max(len(closed), len(open)) {
			above, below := byte(' '), byte(' ')
			if n < len(closed) {
				above = closed[n]
			}
			if n < len(open) {
				below = open[n]
			}
			switch pair := string([]byte{above, below}); pair {
			case "- ", " -", "++", "??", "~ ", " ~", "~~":
			default:
				t.Errorf("column %d is %q in\n%s", n, pair, strings.Join(lines[i:i+3], "\n"))
			}
		}
		var legend []string
		for _, l := range lines[i+3:] {
			if !strings.HasPrefix(l, strings.Repeat(" ", 10)) {
				break
			}
			legend = append(legend, strings.TrimSpace(l))
		}
		named, last := "", time.Duration(-1<<62)
		for _, m := range legendItem.FindAllStringSubmatch(strings.Join(legend, " "), -1) {
			named += m[1]
			at := parseOffset(t, m[2])
			if at < last {
				t.Errorf("times do not rise in %q", legend)
			}
			last = at
		}
		if named != letters {
			t.Errorf("letters %q, legend %q in\n%s", letters, named, strings.Join(lines[i:], "\n"))
		}
	}
}

func parseOffset(t failer, s string) time.Duration {
	t.Helper()
	negative := s[0] == '-'
	var d time.Duration
	for i, part := range strings.Split(s[1:], ":") {
		var seconds float64
		if _, err := fmt.Sscanf(part, "%g", &seconds); err != nil {
			t.Errorf("%q: %v", s, err)
		}
		if i > 0 {
			d *= 60
		}
		d += time.Duration(seconds*1e6+0.5) * time.Microsecond
	}
	if negative {
		return -d
	}
	return d
}

// TestPlaceMarks checks that each mark has its own column between the edges, in order, and that no break covers a mark.
func TestPlaceMarks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		columns := rapid.IntRange(2*drawingEdge+1, 200).Draw(t, "columns")
		n := rapid.IntRange(1, columns-2*drawingEdge).Draw(t, "marks")
		marks := make([]mark, n)
		now := zero
		for i := range marks {
			now = now.Add(time.Duration(rapid.Int64Range(0, int64(10*time.Second)).Draw(t, "gap")))
			marks[i].at = now
		}
		breaks := placeMarks(marks, columns)
		last := drawingEdge - 1
		for _, m := range marks {
			if m.column <= last || m.column >= columns-drawingEdge {
				t.Errorf("column %d after %d of %d", m.column, last, columns)
			}
			last = m.column
		}
		for _, b := range breaks {
			for _, m := range marks {
				if m.column == b {
					t.Errorf("the break at %d covers a mark", b)
				}
			}
		}
	})
}

// TestCSVReads checks that the fields are read back as they were written, and that none is a formula.
func TestCSVReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Account{Line: "box-office", Call: 1, Began: zero, Party: anyParty(t)}
		for i, field := range a.CSV() {
			if field != "" && strings.ContainsRune("=@-\t", rune(field[0])) {
				t.Errorf("%s is the formula %q", CSVHeader()[i], field)
			}
		}
		var b strings.Builder
		w := csv.NewWriter(&b)
		if err := w.Write(a.CSV()); err != nil {
			t.Errorf("%v", err)
		}
		w.Flush()
		if records, err := csv.NewReader(strings.NewReader(b.String())).ReadAll(); err != nil || len(records) != 1 ||
			len(records[0]) != len(CSVHeader()) {
			t.Errorf("%q: %v, %v", b.String(), records, err)
		}
	})
}

// beganAsIncident reports whether the call is not over but already has an incident of the call.
func (a *Account) beganAsIncident() bool {
	return a.Outcome == OutcomeInProgress && a.Incident.OfCall()
}
