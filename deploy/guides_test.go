package deploy

import (
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/keysystem"
	"clearback/supervision/window"
)

// guides are the pages for people with a screwdriver in hand.
var guides = []string{"relay.md", "wiring.md", "adding-a-line.md", "replacing-an-adapter.md"}

// oneLine returns a text with each run of white space as one space.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// fence matches a block of commands, also one in a list. Its second group is the text.
var fence = regexp.MustCompile("(?ms)^ *```(sh|console)\n(.*?)^ *```$")

// inline matches a command in backticks.
var inline = regexp.MustCompile("`((?:sudo )?clearback [^`]+)`")

// separator ends a command in a line of a shell.
var separator = regexp.MustCompile(`&&|[&;|()]`)

// pageCommands returns the commands that a page shows, each without sudo, prompt and redirections.
func pageCommands(page string) (all []string) {
	var lines []string
	for _, m := range fence.FindAllStringSubmatch(page, -1) {
		for line := range strings.Lines(m[2]) {
			line, prompt := strings.CutPrefix(strings.TrimSpace(line), "$ ")
			if prompt || m[1] == "sh" {
				line, _, _ = strings.Cut(line, " #")
				lines = append(lines, line)
			}
		}
	}
	for _, m := range inline.FindAllStringSubmatch(page, -1) {
		lines = append(lines, m[1])
	}
	for _, line := range lines {
		for _, c := range separator.Split(line, -1) {
			if c = strings.TrimPrefix(oneLine(c), "sudo "); c != "" {
				all = append(all, c)
			}
		}
	}
	return all
}

// programFlags returns the flags of each command of the program, and whether a value follows. The test of package
// frozen compares the list with the program.
func programFlags(t *testing.T) map[string]map[string]bool {
	all := map[string]map[string]bool{}
	for line := range strings.Lines(string(read(t, "../cmd/internal/frozen/testdata/flags.txt"))) {
		words := strings.Fields(line)
		flags := map[string]bool{}
		for i, w := range words[1:] {
			if strings.HasPrefix(w, "--") {
				flags[w] = i+2 < len(words) && words[i+2] == "VALUE"
			}
		}
		all[words[0]] = flags
	}
	for _, more := range []string{"help", "completion"} { // these take no flags
		all[more] = map[string]bool{}
	}
	return all
}

// commandFault says what is wrong with a command of our program or of the service manager, or returns "".
func commandFault(command string, program map[string]map[string]bool) string {
	words := strings.Fields(command)
	switch {
	case strings.HasPrefix(command, "systemctl "):
		i := slices.IndexFunc(words[1:], func(w string) bool { return !strings.HasPrefix(w, "-") }) + 1
		if i == 0 || !slices.Contains([]string{"start", "stop", "restart", "kill", "edit", "status"}, words[i]) ||
			!slices.Contains(words, "clearback") {
			return "no such command of the service manager"
		}
		return ""
	case words[0] != "clearback" || len(words) == 1:
		return ""
	}
	flags, ok := program[words[1]]
	if !ok {
		return "there is no clearback " + words[1]
	}
	for i, w := range words {
		if !strings.HasPrefix(w, "-") {
			continue
		}
		takes, ok := flags[w]
		switch next := append(words, "")[i+1]; {
		case !ok:
			return fmt.Sprintf("clearback %s has no flag %s", words[1], w)
		case takes && (next == "" || strings.HasPrefix(next, "-")):
			return w + " needs a value"
		}
	}
	return ""
}

// TestPageCommands checks that each command that a page shows exists, with its flags.
func TestPageCommands(t *testing.T) {
	program := programFlags(t)
	n := 0
	for _, page := range append([]string{"../README.md", "operation.md", "contacts.md", "first-line.md",
		"fleet/guide.md"}, guides...) {
		for _, c := range pageCommands(string(read(t, page))) {
			if strings.HasPrefix(c, "clearback ") {
				n++
			}
			assert.Empty(t, commandFault(c, program), "%s: %s", page, c)
		}
	}
	require.Greater(t, n, 60)

	const page = "```sh\nclearback run --config x # y\n```\n" +
		"   ```console\n   $ cd /; sudo clearback pulse a &\n   out\n   ```\n`clearback close`"
	require.Equal(t, []string{"clearback run --config x", "cd /", "clearback pulse a", "clearback close"},
		pageCommands(page))
	for command, fault := range map[string]string{
		"clearback pulse workshop --interval 2.8s": "", "clearback check --live --states LINE": "", "go run .": "",
		"clearback pulls workshop":            "there is no clearback pulls",
		"clearback check --alive":             "clearback check has no flag --alive",
		"clearback pulse workshop --live":     "clearback pulse has no flag --live",
		"clearback check --live --states":     "--states needs a value",
		"clearback check --states --live a":   "--states needs a value",
		"systemctl kill --signal=KILL sshd":   "no such command of the service manager",
		"systemctl bounce clearback":          "no such command of the service manager",
		"systemctl kill --signal=9 clearback": "",
	} {
		require.Equal(t, fault, commandFault(command, program), command)
	}
}

// pageBlock returns the configuration in a guide's first YAML block. A block that is one line of the file gets the rest
// of the file.
func pageBlock(t *testing.T, page string) *config.Config {
	t.Helper()
	_, text, _ := strings.Cut(string(read(t, page)), "```yaml\n")
	text, _, _ = strings.Cut(text, "```")
	c, faults := config.Parse(page, []byte(wholeFile(text)), secrets())
	require.Empty(t, faults.String(), text)
	return c
}

// TestGuidesQuoteCheck compares what the guides quote from `clearback check` with what the program says about the file
// in the same guide. [...] stands for what a quotation leaves out.
func TestGuidesQuoteCheck(t *testing.T) {
	for _, page := range []string{"relay.md", "adding-a-line.md"} {
		c := pageBlock(t, page)
		said := oneLine(strings.Join(append(config.Describe(c), config.DescribeDialling(c)...), " "))
		quoted := ""
		for _, m := range fence.FindAllStringSubmatch(string(read(t, page)), -1) {
			if strings.Contains(m[2], "clearback check bench.yaml") || strings.Contains(m[2], "$ sudo clearback check\n") {
				_, quoted, _ = strings.Cut(m[2], "\n")
				break
			}
		}
		quoted, _, ended := strings.Cut(oneLine(quoted), "yaml: no faults")
		require.True(t, ended, page)
		quoted = quoted[:strings.LastIndex(quoted, " ")+1] // the file's name
		rest, n := said, 0
		for part := range strings.SplitSeq(quoted, "[...]") {
			if part = strings.TrimSpace(part); part != "" {
				at := strings.Index(rest, part)
				require.GreaterOrEqual(t, at, 0, "%s quotes %q; check says %s", page, part, said)
				rest = rest[at+len(part):]
				n++
			}
		}
		require.Positive(t, n, page)
	}
}

// TestGuidesQuoteMessages checks that other texts that the guides quote are in the program.
func TestGuidesQuoteMessages(t *testing.T) {
	for file, texts := range map[string][]string{
		"../cmd/internal/cli/checklive.go": {"NOT registered: no attempt seen",
			"reads OPEN: look at the controller and at open_level", "NOT registered: refused, from %s as user %q: %s",
			"waiting at most %s for registrations", "registered until ", "on hook, "},
		"../cmd/internal/cli/hookstates.go": {
			"the adapter's answers to OPTIONS follow the hook: the daemon trusts them from its next start on",
			"NOT trusted"},
		"../cmd/internal/cli/saveinterval.go": {"%s: written to %s", "%s: in use from now on"},
		"../cmd/internal/cli/tune.go": {
			"Hold %d of at most %d. %s is being called: lift when it rings; you will hear a tone.",
			"Press the hold key, put the handset down, and check that the lamp winks. Then press Enter.",
			"Did the lamp go out? y, n, or ? if you cannot tell:"},
		"../cmd/internal/cli/control.go": {"%s: loop open for %s (asked %d ms); hook: %s", "NOT trusted yet",
			"after an emergency call", " EMERGENCY"},
		"../bridge/sipua/registration/refusals.go": {"wrong user or password"},
		"../bridge/sipua/registration/authenticate.go": {"its password is right, but its address, or the socket that it " +
			"used, does not belong to the line"},
		"../bridge/daemon/trust.go": {"the adapter's User-Agent has changed since its answers were checked; they are not " +
			"trusted until"},
	} {
		source := string(read(t, file))
		for _, text := range texts {
			require.True(t, strings.Contains(source, text), "%s has no %q", file, text)
			pattern := regexp.QuoteMeta(strings.TrimSpace(text))
			for verb, value := range map[string]string{`%s`: `\S.*?`, `%d`: `\d+`, `%q`: `"\w+"`} {
				pattern = strings.ReplaceAll(pattern, verb, value)
			}
			found := false
			for _, page := range guides {
				found = found || regexp.MustCompile(pattern).MatchString(oneLine(string(read(t, page))))
			}
			assert.True(t, found, "no guide quotes %q any more", text)
		}
	}
}

// TestGuideFigures checks the figures of the guides against the electrical model, the window's assumptions and
// SAFETY.md.
func TestGuideFigures(t *testing.T) {
	w, ms := window.Defaults(), func(d time.Duration) int64 { return d.Milliseconds() }
	on, off := keysystem.Wink.Cadence()
	peak := func(dc, ac float64) string { return fmt.Sprintf("%.0f V", dc+math.Sqrt2*ac) }
	reactance := func(farad float64) string { return fmt.Sprintf("(%.0f kΩ)", 1/(2*math.Pi*20*farad)/1000) }
	p := supervision.DefaultPolicy()
	for page, figures := range map[string][]string{
		"relay.md": {
			fmt.Sprintf("at most %d ms, at most %d ms", ms(w.Operate.Max), ms(w.Bounce.Max)),
			fmt.Sprintf("Small relays take %d to %d ms and bounce for %d to %d ms", ms(w.Operate.Min), ms(w.Operate.Max),
				ms(w.Bounce.Min), ms(w.Bounce.Max)),
			"peaks at " + peak(56, 90) + ", with some sources at " + peak(56, 150) + " (S42)",
			reactance(1e-6), reactance(0.1e-6),
			fmt.Sprintf("less than %.0f µA at 100 V", 100/5e6*1e6),
			fmt.Sprintf("at 20 openings a day, that is %.0f years", math.Floor(100_000/(20*365.25))),
			fmt.Sprintf("for %.1f s, then for 2.8 s", p.Interval.Seconds()),
		},
		"wiring.md": {
			fmt.Sprintf("(%d ms on, %d ms off)", ms(on), ms(off)),
			"above " + peak(56, 90) + " for ringing of 90 V, above " + peak(56, 150) + " for ringing of 150 V (S42)",
			fmt.Sprintf("a resistor of 150 Ω takes %.0f mA", 1.2/150*1000),
			fmt.Sprintf("comes back after %.1f s", p.Interval.Seconds()),
		},
		"adding-a-line.md": {fmt.Sprintf("For the next %.0f min", p.CallbackWindow.Minutes())},
	} {
		text := oneLine(string(read(t, page)))
		for _, f := range figures {
			assert.True(t, strings.Contains(text, f), "%s does not say %q", page, f)
		}
	}
	safety := oneLine(string(read(t, "../SAFETY.md")))
	for _, s := range []string{"Expect 90 V AC on 56 V DC, a peak of about " + peak(56, 90),
		"150 V AC, a peak of about " + peak(56, 150), "at least 1,500 V", "200 to 300 V across the pair"} {
		require.True(t, strings.Contains(safety, s), s)
	}
	for _, page := range []string{"relay.md", "wiring.md"} {
		require.True(t, strings.Contains(string(read(t, page)), "1,500 V"), page)
	}
}

// TestWiringHoldsInTheModel plays what wiring.md tells people to measure on the line of the drawings.
func TestWiringHoldsInTheModel(t *testing.T) {
	const start, hold, opened, closed = 0, time.Second, 2 * time.Second, 2*time.Second + 800*time.Millisecond
	require.Equal(t, supervision.DefaultPolicy().Interval, closed-opened)
	for _, tt := range []struct {
		name                     string
		energised, bypassed, off bool // off: the relay has no power
		current, held            bool // in the opening, and after it
		lamp                     keysystem.Lamp
	}{
		{"the contact opens", true, false, false, false, false, keysystem.Dark},
		{"the bypass is closed", true, true, false, true, true, keysystem.Wink},
		{"the relay has no power", false, false, true, true, true, keysystem.Wink},
	} {
		t.Run(tt.name, func(t *testing.T) {
			line, err := keysystem.New(keysystem.Options{Move: 10 * time.Millisecond, Bounce: 5 * time.Millisecond})
			require.NoError(t, err)
			line.SetWelded(start, tt.bypassed) // as good as a contact that stays closed
			line.Lift(start, "workshop")
			require.True(t, line.State().Current, "a relay at rest lets the line work")
			line.Hold(hold, "workshop")
			require.Equal(t, keysystem.Wink, line.State().Lamp)
			line.SetCoil(opened, tt.energised && !tt.off)
			line.Step(closed)
			require.Equal(t, tt.current, line.State().Current)
			line.SetCoil(closed, false)
			line.Step(closed + time.Second)
			require.Equal(t, tt.held, line.State().Held)
			require.Equal(t, tt.lamp, line.State().Lamp)
			require.True(t, line.State().ContactClosed)
		})
	}
}

// TestGuidesAreFound checks that README lists every guide, and that each guide warns of what a reader may not miss.
func TestGuidesAreFound(t *testing.T) {
	readme := string(read(t, "../README.md"))
	for _, page := range guides {
		require.True(t, strings.Contains(readme, "](deploy/"+page+")"), "README does not list %s", page)
		text := oneLine(string(read(t, page)))
		require.True(t, page == "relay.md" || strings.Contains(text, "cautions") || strings.Contains(text, "Cautions"), page)
		require.Less(t, strings.Count(string(read(t, page)), "\n"), 220, "%s: a guide is short", page)
	}
	for _, page := range []string{"adding-a-line.md", "replacing-an-adapter.md"} {
		const first = "Ask the emergency centre or the local authority first whether it accepts test calls"
		require.True(t, strings.Contains(oneLine(string(read(t, page))), first), "%s does not say: %s", page, first)
	}
	all, err := filepath.Glob("drawings/*")
	require.NoError(t, err)
	shown := ""
	for _, page := range guides {
		shown += string(read(t, page))
	}
	for _, d := range all {
		require.True(t, strings.Contains(shown, "]("+d+")"), "no guide shows %s", d)
	}
}
