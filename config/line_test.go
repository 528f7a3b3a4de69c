package config

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"clearback/supervision"
	"clearback/supervision/window"
)

const ms = time.Millisecond

// with returns the small file with more keys for box-office.
func with(keys string) string {
	return strings.Replace(small, "    name: box-office\n", "    name: box-office\n"+keys, 1)
}

func parsed(t *testing.T, text string) *Config {
	t.Helper()
	c, faults := Parse("/etc/clearback/small", []byte(text), millraceEnv())
	require.Empty(t, faults.String())
	return c
}

func TestDefaultsOfRecordAndLine(t *testing.T) {
	c := parsed(t, small)
	require.Equal(t, Journal{File: "/var/lib/clearback/small.journal.db", Keep: 8760 * time.Hour,
		MaxSize: 1_000_000_000, Numbers: "full"}, c.Journal)
	require.Equal(t, Control{Socket: "/run/clearback/small.control"}, c.Control)
	require.Equal(t, 15*time.Minute, c.Log.Remind)
	l := c.Lines[0]
	require.Equal(t, Verify{By: "options", Watch: time.Minute, Listening: 10 * time.Second}, l.Verify)
	require.Equal(t, time.Minute, l.Policy.Watch)
	require.Equal(t, 10*time.Second, l.Policy.Listening)
	require.Zero(t, l.Policy.Repeats)
	require.False(t, l.AcceptCuttingIntoDialling)
	require.False(t, l.Policy.ProbeTrusted || l.Policy.SenseTrusted, "a file cannot set it")
	require.Equal(t, Equipment{CardReleaseMin: 50 * ms, CardReleaseMax: 600 * ms, RelayMove: 10 * ms,
		RelayBounce: 5 * ms,
		TimingError: 25 * ms, PulseDialling: true, LongestOpen: 2 * time.Second}, l.Equipment)
	require.Equal(t, window.Defaults(), l.Window(),
		"a file that says nothing and a window that knows nothing are the same")
}

func TestRecordAndLine(t *testing.T) {
	c := parsed(t, with(`    policy: {repeats: 2, accept_cutting_into_dialling: true, flash_max: 700ms, lead: 500ms, max_interval: 1.4s, onhook_recognition: 1.5s}
    verify: {by: none, offhook_number: "5550180", watch: 0s, listening: 4s}
    equipment: {card_release: 350ms, flash_min: 300ms, relay_move: 2ms, relay_bounce: 0s, timing_error: 10ms, pulse_dialling: false, longest_open: 1.2s}
`)+`journal: {file: record/journal.db, keep: 30d, max_size: 250MB, numbers: short}
control: {socket: /run/clearback/control, group: operators}
log: {remind: 0s}
`)
	require.Equal(t, Journal{File: "/etc/clearback/record/journal.db", Keep: 720 * time.Hour, MaxSize: 250_000_000,
		Numbers: "short"}, c.Journal)
	require.Equal(t, Control{Socket: "/run/clearback/control", Group: "operators"}, c.Control)
	require.Zero(t, c.Log.Remind)
	l := c.Lines[0]
	require.Equal(t, Verify{By: "none", OffHookNumber: "5550180", Listening: 4 * time.Second}, l.Verify)
	require.Equal(t, 4*time.Second, l.Policy.Listening)
	require.Zero(t, l.Policy.Watch)
	require.Equal(t, 2, l.Policy.Repeats)
	require.Equal(t, window.Line{
		Release: window.Band{Min: 350 * ms, Max: 350 * ms}, FlashMin: 300 * ms, FlashMax: 700 * ms,
		OnHookRecognition: 1500 * ms,
		Operate:           window.Band{Min: 2 * ms, Max: 2 * ms}, ReleaseTime: window.Band{Min: 2 * ms, Max: 2 * ms},
		Timing:   window.Band{Min: -10 * ms, Max: 10 * ms},
		PulseMax: window.Defaults().PulseMax, Floor: 250 * ms, Ceiling: 1200 * ms, LongestOpen: 1200 * ms,
		Lead: 500 * ms,
	}, l.Window())
	require.Contains(t, Describe(c)[0],
		"Whether the hold has cleared is not checked. While the hold stays, one clearing repeats the interruption up to 2 times, which may cut into somebody's dialling")
	require.NotContains(t, strings.Join(Warnings(c), "\n"), "journal")

	c = parsed(t, with("    equipment: {card_release: 50ms-450ms}\n")+"journal: {file: /var/lib/clearback/journal.db, keep: 0s}\n")
	require.Equal(t, "/var/lib/clearback/journal.db", c.Journal.File)
	require.Zero(t, c.Journal.Keep)
	require.Equal(t, window.Band{Min: 50 * ms, Max: 450 * ms}, c.Lines[0].Window().Release)
	c = parsed(t, strings.Replace(small, "coil: 1,", "coil: 1, sense: {input: 1},", 1)+"    verify: {by: sense}\n")
	require.Contains(t, Describe(c)[1], "the loop-current input is read")
}

// Faults of the journal do not prevent the closing of contacts.
func TestJournalFaultsDoNotPreventClosing(t *testing.T) {
	d := newDecoder("f", Env{})
	c := d.decode([]byte(with("    equipment: {card_release: soon}\n    verify: {by: lamp}\n    policy: {repeats: 1}\n") +
		"journal: {file: ~}\ncontrol: {socket: here}\n"))
	require.Len(t, d.sorted(), 3+3+2, "two lines' and the file's") // line 2 has the faults of line 1
	require.Len(t, c.Lines, 2)
	require.Equal(t, "modbus", c.Lines[0].Contact.Driver)
	require.NotNil(t, c.Lines[0].Contact.Timed)
}

func TestWindowWarnings(t *testing.T) {
	for keys, want := range map[string]string{
		"policy: {interval: 600ms}":                                                         "line box-office: its interval may not work: 600ms is shorter than the shortest possible, 638ms: the line card must have released the hold",
		"policy: {interval: 610ms}":                                                         "", // rounded to 700 ms
		"policy: {interval: 600ms}\n    equipment: {card_release: 400ms}":                   "",
		"policy: {flash_max: 800ms}":                                                        "800ms is shorter than the shortest possible, 888ms: the adapter could take a break of that length for a hook flash",
		"policy: {flash_max: 800ms, interval: 900ms, steps: [1s, 1.4s]}":                    "",
		"policy: {interval: 700ms, steps: [1s, 1.2s]}\n    equipment: {longest_open: 1.2s}": "line box-office: step 2 may not work: 1.2s is longer than the longest possible, 1163ms: the longest opening that is accepted",
		"policy: {interval: 800ms}\n    equipment: {card_release: 50ms-1.5s}":               "line box-office: its interval is 800ms, but the window of its possible intervals is empty, because the line card's release time",
		"policy: {interval: 600ms, life_safety: true}":                                      "",
	} {
		c := parsed(t, with("    "+keys+"\n"))
		c.Lines = c.Lines[:1]
		w := strings.Join(Warnings(c), "\n")
		if want != "" {
			require.Contains(t, w, want, keys)
			continue
		}
		require.NotContains(t, w, "may not work", keys)
		require.NotContains(t, w, "possible", keys)
	}
}

func TestComputedSteps(t *testing.T) {
	for keys, want := range map[string][]time.Duration{
		"":                             {900 * ms, 1100 * ms, 1300 * ms}, // whole units of 100 ms
		"policy: {steps: []}":          nil,
		"policy: {steps: [1s]}":        {time.Second},
		"policy: {max_interval: 1.2s}": {1000 * ms},
		"policy: {interval: 1.3s}":     nil,
		"policy: {lead: 400ms}":        {900 * ms, 1200 * ms, 1500 * ms},
		"policy: {<<: {lead: 100ms}}":  {1000 * ms, 1200 * ms, 1600 * ms},
	} {
		c := parsed(t, with("    "+keys+"\n"))
		require.Equal(t, want, c.Lines[0].Policy.Steps, keys)
	}
	c := parsed(t, strings.Replace(small, "limit: 3s", "limit: 1.15s", 1))
	require.Equal(t, []time.Duration{900 * ms, 1000 * ms, 1100 * ms}, c.Lines[0].Policy.Steps,
		"within the limit of the board's timer")
	c = parsed(t, strings.Replace(small, "unit: 100ms, limit: 3s", "unit: 900ms, limit: 2.7s", 1))
	require.Nil(t, c.Lines[0].Policy.Steps, "the next whole unit is too long")
	require.Equal(t, []time.Duration{940 * ms, 1100 * ms, 1300 * ms}, c.Lines[1].Policy.Steps)
}

// Whatever the file contains, computed steps cause no fault or warning that the file would not have without them.
func TestComputedStepsCauseNoFault(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		time := func(name string, low, high int) string {
			return (time.Duration(rapid.IntRange(low, high).Draw(t, name)) * ms).String()
		}
		policy := "interval: " + time("interval", 200, 1500) + ", lead: " + time("lead", 40, 1800) +
			", max_interval: " + time("max", 250, 3100) +
			", onhook_recognition: " + time("recognition", 250, 2000) + ", flash_max: " + time("flash", 0, 1600)
		equipment := "card_release: " + time("release", 1, 900) + ", longest_open: " + time("longest", 250, 3000)
		unit, limit := time("unit", 1, 1000), time("limit", 1, 3000)
		text := func(steps string) string {
			return strings.Replace(with("    policy: {"+policy+steps+"}\n    equipment: {"+equipment+"}\n"),
				"unit: 100ms, limit: 3s", "unit: "+unit+", limit: "+limit, 1)
		}
		without, faults := Parse("f", []byte(text(", steps: []")), millraceEnv())
		c, all := Parse("f", []byte(text("")), millraceEnv())
		if all.String() != faults.String() {
			t.Fatalf("%v\nwithout steps:\n%v", all, faults)
		}
		if c == nil {
			return
		}
		if a, b := strings.Join(Warnings(c), "\n"), strings.Join(Warnings(without), "\n"); a != b {
			t.Fatalf("%v\nwithout steps:\n%v", a, b)
		}
		if len(c.Lines[0].Policy.Steps) > 0 && c.Lines[0].Policy.Check() != nil {
			t.Fatal(c.Lines[0].Policy.Steps)
		}
	})
}

// The bounds of watch and listening are the same in the table of keys and in package supervision.
func TestVerifyBoundsMatchPolicy(t *testing.T) {
	for _, w := range []time.Duration{0, 5 * time.Second, time.Hour} {
		p := supervision.DefaultPolicy()
		p.Watch = w
		require.Empty(t, p.Check(), w)
		require.Equal(t, w, parsed(t, with("    verify: {watch: "+w.String()+"}\n")).Lines[0].Policy.Watch)
	}
	for _, l := range []time.Duration{0, time.Minute} {
		p := supervision.DefaultPolicy()
		p.Listening = l
		require.Empty(t, p.Check(), l)
		require.Equal(t, l, parsed(t, with("    verify: {listening: "+l.String()+"}\n")).Lines[0].Policy.Listening)
	}
}
