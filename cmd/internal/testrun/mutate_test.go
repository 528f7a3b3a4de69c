package testrun

import (
	"io"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// mutable makes a module of two packages: small, which is mutated, and beside, whose tests use small.
func mutable(t *testing.T, code, tests, beside string) {
	t.Helper()
	module(t, tests)
	require.NoError(t, os.WriteFile("small.go", []byte("package small\n"+code), 0o600))
	require.NoError(t, os.Mkdir("beside", 0o700))
	beside = "package beside\n\nimport (\n\t\"small\"\n\t\"testing\"\n)\n\nvar _ = small.Seen\n\n" + beside
	require.NoError(t, os.WriteFile("beside/beside_test.go", []byte(beside), 0o600))
}

const (
	seen = `
var Seen, Endless = true, false

const most uint8 = 255

var Unseen = true
`
	sees = `
func TestSeen(t *testing.T) {
	if !Seen || most < 255 {
		t.Error("not seen")
	}
	for Endless {
	}
}
`
)

// TestMutate: a mutant that the tests notice is caught, one that they do not notice survives, and the tree does not
// change. A mutant that never ends is caught, because the unmutated tests end well within the limit. A mutant that does
// not compile is counted separately, and another is drawn.
func TestMutate(t *testing.T) {
	mutable(t, seen, sees, `
func TestUnseen(t *testing.T) {
	if !small.Unseen {
		t.Error("seen here")
	}
}
`)
	code, out, errs := testrun("mutate", "-n", "4", "-limit", "1s", "small.go")
	assert.Equal(t, 1, code, errs)
	for _, want := range []string{
		"small.go:3: var Seen, Endless = true, false -> var Seen, Endless = false, false: caught by small TestSeen\n",
		"small.go:3: var Seen, Endless = true, false -> var Seen, Endless = true, true: over time in small: caught\n",
		"small.go:7: var Unseen = true -> var Unseen = false: survived\n",
		"small.go:5: const most uint8 = 255 -> const most uint8 = 254: caught by small TestSeen\n",
		"small    4        3       1                   1\n",
		"\nseed 1: 4 mutants, 3 caught (1 over time), 1 survived; ",
	} {
		assert.Contains(t, out, want)
	}
	text, err := os.ReadFile("small.go")
	require.NoError(t, err)
	assert.Equal(t, "package small\n"+seen, string(text))

	code, out, errs = testrun("mutate", "-only", "small.go:5", ".")
	assert.Equal(t, 0, code, errs)
	assert.Contains(t, out, "-> const most uint8 = 256: not compiled\n")
	assert.Contains(t, out, "\nseed 1: 1 mutants, 1 caught (0 over time), 0 survived; 1 more did not compile\n")

	code, out, errs = testrun("mutate", "-only", "small.go:7", "-tests", ".=./beside", ".")
	assert.Equal(t, 0, code, errs)
	assert.Contains(t, out, "-> var Unseen = false: caught by small/beside TestUnseen\n")
}

// TestMutants lists the mutants of each kind of operator, condition, constant and statement, and whether each compiles.
// Lines that only log, and capacities, have none.
func TestMutants(t *testing.T) {
	mutable(t, `
import (
	"errors"
	"log"
)

func f(a, b int, c bool) (n int, err error) {
	if a < b && !c {
		log.Print("less", 1+1)
		n = a + 2
	} else {
		n++
	}
	if c {
		log.Print("seen", a == 1)
	}
	if d := a + 3; d > 4 {
		log.Print("large")
	}
	if c {
		return
	}
	switch {
	case a == b:
		println(a)
	}
	_ = make([]int, n, 7)
	return n, errors.New("late")
}
`, "", "")
	all, err := load([]string{"."}, "", io.Discard)
	require.NoError(t, err)
	var got []string
	for _, m := range all {
		s := m.String()
		if !m.compiles() {
			s += " (not compiled)"
		}
		got = append(got, strings.TrimPrefix(s, "small.go:"))
	}
	assert.Equal(t, []string{
		"9: if a < b && !c { -> if !(a < b && !c) {",
		"9: if a < b && !c { -> if a <= b && !c {",
		"9: if a < b && !c { -> if a >= b && !c {",
		"9: if a < b && !c { -> if a < b || !c {",
		"9: if a < b && !c { -> if a < b && c {",
		"11: n = a + 2 -> (dropped)",
		"11: n = a + 2 -> n = a - 2",
		"11: n = a + 2 -> n = a + 3",
		"11: n = a + 2 -> n = a + 1",
		"12: } else { n++ } -> }",
		"13: n++ -> (dropped)",
		"13: n++ -> n--",
		"18: if d := a + 3; d > 4 { -> if d := a - 3; d > 4 {",
		"18: if d := a + 3; d > 4 { -> if d := a + 4; d > 4 {",
		"18: if d := a + 3; d > 4 { -> if d := a + 2; d > 4 {",
		"21: if c { -> if !(c) {",
		"22: return -> (dropped)",
		"25: case a == b: println(a) -> (dropped)",
		"25: case a == b: -> case a != b:",
		"26: println(a) -> (dropped)",
		"28: _ = make([]int, n, 7) -> (dropped)",
		`29: return n, errors.New("late") -> return n, nil (not compiled)`, // an import is then unused
	}, got)

	again, err := load([]string{"small.go"}, "small.go:29", io.Discard)
	require.NoError(t, err)
	assert.Len(t, again, 1)
}

// TestMutateNeedsPassingTests: if the tests fail without a mutant, mutate stops, because a mutant would prove nothing.
func TestMutateNeedsPassingTests(t *testing.T) {
	mutable(t, strings.Replace(seen, "true", "false", 1), sees, "")
	code, _, errs := testrun("mutate", ".")
	assert.Equal(t, 2, code)
	assert.Contains(t, errs, "the tests of small fail without a mutant:")
	assert.Contains(t, errs, "not seen")
}

func TestMutateWrongUse(t *testing.T) {
	mutable(t, seen, sees, "")
	for _, args := range [][]string{
		{}, {"-n", "0", "."}, {"-limit", "0s", "."}, {"-tests", "small", "."}, {"-tests", ".=./nowhere", "."},
		{"-only", "small.go:1", "."}, {"-nonsense"}, {"small_test.go"}, {"./beside"},
	} {
		code, out, errs := testrun(append([]string{"mutate"}, args...)...)
		assert.Equal(t, 2, code, "%q: %s", args, out)
		assert.NotEmpty(t, errs, "%q", args)
	}
}
