package callrecord

import (
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var rewrite = flag.Bool("rewrite", false, "write the accounts and explanations into testdata; review the difference")

// renderScript names the scripts of ../testdata whose accounts and explanations are compared.
var renderScript = []string{
	"adapter-knows-no-call", "adapter-lost", "answer-crosses-cancel", "board-power", "by-hand", "bye-crosses-bye",
	"bye-unanswered-flash", "callback-window", "emergency-call", "guard-of-the-opening", "held-call-cleared",
	"hold-stayed",
	"learnt-late", "life-safety", "near-end-clears", "never-opened", "new-caller-waits", "no-contact", "opening-failed",
	"other-call-rings", "seizure-guarding", "seizure-open", "shutdown-two-calls", "unanswered", "contact-stuck",
	"flash", "repeats",
	"seized-hold", "sense-judged", "suppressed-hold", "trial", "trial-not-made", "trial-refused",
	"incident-bye-unanswered",
	"incident-replaced", "found-off-hook", "not-allowed", "session-expired", "emergency-unlisted-prefix",
	"emergency-number-contained",
	"too-many-openings",
	"emergency-no-sound",
	"short-opening", "found-open", "emergency-failed",
	"far-end-silent", "trust-withdrawn", "adopted-call", "adopted-emergency",
	"adopted-cleared",
}

// TestExplainScripts plays scripts of the machine and compares the accounts and explanations with files that a person
// has read and found right.
func TestExplainScripts(t *testing.T) {
	for _, name := range renderScript {
		t.Run(name, func(t *testing.T) {
			got := renderAll(t, name)
			file := filepath.Join("testdata", name+".txt")
			if *rewrite {
				if err := os.MkdirAll("testdata", 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if errors.Is(err, fs.ErrNotExist) {
				t.Fatalf("%s is missing; write it with -rewrite and review it", file)
			}
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs; see with -rewrite and git diff. It is now\n%s", file, got)
			}
		})
	}
}

// renderAll returns the table of a script's accounts, its incidents, and the explanation of each account.
func renderAll(t *testing.T, name string) string {
	t.Helper()
	var b strings.Builder
	parties := []Party{{Number: "5550142", Name: "Stage door"}, {Number: "5550143"}, {Name: "Workshop"}, {}}
	for n, entries := range play(t, name) {
		if n > 0 {
			b.WriteString("\n################ another line\n\n")
		}
		accounts, incidents := feed(entries)
		for i := range accounts {
			accounts[i].Party = parties[i%len(parties)]
			if accounts[i].Call == 0 {
				accounts[i].Party = Party{}
			}
			fmt.Fprintln(&b, strings.Join(Row(accounts[i]), " | "))
		}
		for _, inc := range incidents {
			fmt.Fprintf(&b, "incident of call %d: %s, rule %s, flash %t, %s to %s\n", inc.Call, inc.Reason, inc.Rule,
				inc.Flash,
				stamp(inc.Began), stamp(inc.Ended))
		}
		for _, a := range accounts {
			fmt.Fprintf(&b, "\n================\n%s", Explain(a, entries, 100))
		}
	}
	return b.String()
}

// TestAccountsOfEveryScript checks what holds for the accounts of every script.
func TestAccountsOfEveryScript(t *testing.T) {
	files, err := filepath.Glob("../testdata/*.txt")
	if err != nil || len(files) < len(renderScript) {
		t.Fatalf("%d scripts, %v", len(files), err)
	}
	for _, file := range files {
		for _, entries := range play(t, strings.TrimSuffix(filepath.Base(file), ".txt")) {
			checkRendered(t, entries)
		}
	}
}
