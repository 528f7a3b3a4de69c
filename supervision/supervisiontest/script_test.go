package supervisiontest

import (
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"clearback/supervision"
)

var rewrite = flag.Bool("rewrite", false, "write what the machine does into the scripts; review the difference")

const (
	scripts = "../testdata"
	safety  = "../../SAFETY.md"
)

func scriptFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(scripts, "*.txt"))
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// TestScripts plays each script and compares its transcript.
func TestScripts(t *testing.T) {
	files := scriptFiles(t)
	if len(files) < 20 {
		t.Errorf("%d scripts in %s; want 20 or more", len(files), scripts)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			blocks, err := ParseScript(string(text))
			if err != nil {
				t.Fatal(err)
			}
			done, err := RunScript(blocks, machine)
			if err != nil {
				t.Fatal(err)
			}
			if *rewrite {
				if err := os.WriteFile(file, []byte(FormatScript(done)), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			for i := range done {
				if got, want := done[i].Want, blocks[i].Want; got != want {
					t.Errorf("block %d\n%s\ngives\n%swant\n%s", i+1, strings.Join(blocks[i].Commands, "\n"), got, want)
				}
			}
			if got := FormatScript(done); !t.Failed() && got != string(text) {
				t.Errorf("%s is not in the form that -rewrite gives", file)
			}
		})
	}
}

var (
	cited    = regexp.MustCompile(`\bSAFETY\.md S(\d+)\b`)
	numbered = regexp.MustCompile(`^- \*\*S(\d+)\*\* `)
	referred = regexp.MustCompile(`\bS(\d+)\b`)
)

// unused holds the numbers that no sentence of SAFETY.md has.
var unused = []int{89}

// safetySentences returns the sentences of SAFETY.md by number, each in one line.
func safetySentences(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile(safety)
	if errors.Is(err, fs.ErrNotExist) && os.Getenv("CI") == "" {
		t.Skip("there is no SAFETY.md")
	}
	if err != nil {
		t.Fatal(err)
	}
	sentences := map[string]string{}
	number := ""
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		switch m := numbered.FindStringSubmatch(line); {
		case m != nil:
			number = m[1]
			if _, twice := sentences[number]; twice {
				t.Errorf("SAFETY.md has two sentences S%s", number)
			}
			sentences[number] = strings.TrimPrefix(line, m[0])
		case line == "" || strings.HasPrefix(line, "#"):
			number = ""
		case number != "":
			sentences[number] += " " + line
		}
	}
	return sentences
}

// TestSafetyNumbers checks that no number of SAFETY.md is missing, since a sentence keeps its number, and that every
// reference in a sentence has its target.
func TestSafetyNumbers(t *testing.T) {
	sentences := safetySentences(t)
	for n := range len(sentences) + len(unused) {
		_, there := sentences[strconv.Itoa(n+1)]
		if want := !slices.Contains(unused, n+1); there != want {
			t.Errorf("SAFETY.md has S%d: %t; want %t", n+1, there, want)
		}
	}
	for n, sentence := range sentences {
		for _, m := range referred.FindAllStringSubmatch(sentence, -1) {
			if _, there := sentences[m[1]]; !there {
				t.Errorf("SAFETY.md S%s refers to S%s, which is not there", n, m[1])
			}
		}
	}
}

// TestScriptsCiteSafety checks that every sentence cited in a script exists, and that every sentence of SAFETY.md that
// ends with "(loop)" has a script.
func TestScriptsCiteSafety(t *testing.T) {
	sentences := safetySentences(t)
	scripted := map[string]bool{}
	for _, file := range scriptFiles(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range cited.FindAllStringSubmatch(string(text), -1) {
			scripted[m[1]] = true
			if _, there := sentences[m[1]]; !there {
				t.Errorf("%s cites SAFETY.md S%s, which is not there", filepath.Base(file), m[1])
			}
		}
	}
	for n, sentence := range sentences {
		if strings.HasSuffix(sentence, "(loop)") && !scripted[n] {
			t.Errorf("SAFETY.md sentence %s speaks of the loop, and no script cites S%[1]s", n)
		}
	}
}

// TestEveryReasonHasAScript checks that each reason, each rule and each report of the machine occurs in a script.
func TestEveryReasonHasAScript(t *testing.T) {
	var all strings.Builder
	for _, file := range scriptFiles(t) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		blocks, err := ParseScript(string(text))
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range blocks {
			all.WriteString(b.Want)
		}
	}
	wordless := func(w string) bool { return w == "none" || w[0] >= '0' && w[0] <= '9' }
	all.WriteString(" reason=" + supervision.IncidentAdapterRefused.String()) // reported by the call record only
	looks := func(form string, word func(i uint8) string) {
		for i := uint8(1); !wordless(word(i)); i++ {
			if want := fmt.Sprintf(form, word(i)); !strings.Contains(all.String(), want) {
				t.Errorf("no script gives %q", want)
			}
		}
	}
	looks(" reason=%s", func(i uint8) string { return supervision.Incident(i).String() })
	looks(" rule=%s", func(i uint8) string { return supervision.Suppression(i).String() })
	looks(" report %s", func(i uint8) string { return supervision.ReportKind(i).String() })
}

// TestScriptErrors checks that the error of a script names the place.
func TestScriptErrors(t *testing.T) {
	for text, want := range map[string]string{
		"seized":                           "no line",
		"jump\n----\n":                     `block 1, "jump"`,
		"after soon\n----\n":               `"after soon"`,
		"policy interval=5s\n----\n":       "out of bounds",
		"policy colour=red\n----\n":        "no such key",
		"policy life_safety=maybe\n----\n": "life_safety",
		"policy steps=1s,x\n----\n":        "steps",
		"policy repeats=many\n----\n":      "repeats",
		"set-policy watch=1s\n----\n":      "watch: 1s is out of bounds",
	} {
		blocks, err := ParseScript(text)
		if err == nil {
			_, err = RunScript(blocks, machine)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v; want %q in it", text, err, want)
		}
	}
	// a broken invariant is an error of the script
	blocks, err := ParseScript("call-arrived call=1\ncall-answered call=1\nfar-end-cleared call=1 evidence=bye\n----\n")
	if err != nil {
		t.Fatal(err)
	}
	if _, err = RunScript(blocks, Mutants()[0].Build); err == nil || !strings.Contains(err.Error(), "invariant 0") {
		t.Errorf("a machine that breaks an invariant passes a script: %v", err)
	}
}
