package testrun

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == busyWord {
		os.Exit(busy(os.Stdin))
	}
	os.Exit(m.Run())
}

// module makes a module with one package of tests and changes to its folder. The module needs no downloads.
func module(t *testing.T, tests string) {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "go.mod"), []byte("module small\n\ngo 1.26\n"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "small_test.go"),
		[]byte("package small\n\nimport (\n\t\"os\"\n\t\"testing\"\n)\n\nvar _ = os.Args\n\n"+tests), 0o600))
	t.Chdir(dir)
	t.Setenv("GOFLAGS", "-vet=off") // saves time
}

func testrun(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = Main(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

const mixed = `
func TestGood(t *testing.T) { t.Log("is not shown") }
func TestNoTool(t *testing.T) { t.Skip("sipp is missing (Debian: sip-tester)") }
func TestNoToolEither(t *testing.T) { t.Run("part", func(t *testing.T) { t.Skip("sipp is missing (Debian: sip-tester)") }) }
func TestLong(t *testing.T) { if os.Getenv("LONG") == "" { t.Skip("takes an hour; LONG=1 runs it") } }
`

func TestReport(t *testing.T) {
	module(t, mixed)
	code, out, errs := testrun()
	assert.Equal(t, 0, code, out+errs)
	_, report, _ := strings.Cut(out, "\n")
	assert.Equal(t, `
skipped: 1
  small TestLong: takes an hour; LONG=1 runs it

missing: sipp (Debian: sip-tester); skipped for it: 2
  small: TestNoTool, TestNoToolEither

2 passed, 0 failed, 3 skipped
`, report)
	assert.NotContains(t, out, "is not shown")
}

func TestFailure(t *testing.T) {
	module(t, mixed+`func TestBad(t *testing.T) { t.Error("two is not three") }`)
	code, out, _ := testrun("-run", "Good|Bad")
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "two is not three")
	assert.Contains(t, out, "\n1 passed, 1 failed, 0 skipped\n")
	assert.Contains(t, out, "\n  small TestBad\n")
}

func TestWhatCannotBeBuilt(t *testing.T) {
	module(t, "func TestBad(t *testing.T) { undefined() }")
	code, out, _ := testrun()
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "undefined: undefined")
	assert.Contains(t, out, "\n0 passed, 1 failed, 0 skipped\n")
}

// TestEndOutsideATest: the report shows the output of a test binary that ends outside a test.
func TestEndOutsideATest(t *testing.T) {
	module(t, "func TestMain(m *testing.M) { println(\"no room for a test\"); os.Exit(3) }")
	code, out, _ := testrun()
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "no room for a test")
	assert.Contains(t, out, "\n0 passed, 1 failed, 0 skipped\n")
}

// TestHang: the report shows the output of a test that took too long.
func TestHang(t *testing.T) {
	module(t, "func TestBad(t *testing.T) { t.Log(\"waits for nothing\"); <-make(chan int) }")
	code, out, _ := testrun("-timeout", "50ms")
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "waits for nothing")
	assert.Contains(t, out, "panic: test timed out after 50ms")
}

func TestVerbose(t *testing.T) {
	module(t, mixed)
	code, out, _ := testrun("-v", "./...")
	assert.Equal(t, 0, code)
	assert.Equal(t, 1, strings.Count(out, "is not shown"))
	assert.Contains(t, out, "\n2 passed, 0 failed, 3 skipped\n")
}

// TestCount: a test that one run skipped and another passed has passed. A test that failed in any run has failed.
func TestCount(t *testing.T) {
	module(t, mixed)
	code, _, _ := testrun("-record", "results", "./...")
	assert.Equal(t, 0, code)
	t.Setenv("LONG", "1")
	code, _, _ = testrun("-record", "results", "-run", "Long", "-count=1")
	assert.Equal(t, 0, code)
	code, out, _ := testrun("count", "results")
	assert.Equal(t, 0, code)
	assert.Contains(t, out, "\n3 passed, 0 failed, 2 skipped\n")
	assert.NotContains(t, out, "TestLong")

	require.NoError(t, os.WriteFile("worse", []byte(`{"Package":"small","Test":"TestLong","Action":"fail"}`), 0o600))
	code, out, _ = testrun("count", "results", "worse")
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "\n2 passed, 1 failed, 2 skipped\n")
}

func TestWrongUse(t *testing.T) {
	for _, args := range [][]string{{"-record"}, {"count", "nowhere"}, {"repeat", "-runs", "0"},
		{"repeat", "-nonsense"}} {
		code, _, errs := testrun(args...)
		assert.Equal(t, 2, code, "%q", args)
		assert.True(t, strings.HasPrefix(errs, "testrun: "), "%q: %s", args, errs)
	}
	code, out, _ := testrun("help")
	assert.Equal(t, 0, code)
	assert.Equal(t, usage, out)
}

// TestRepeat: repeat finds a test that fails sometimes, keeps its output, and returns the exit code of a failure.
func TestRepeat(t *testing.T) {
	if out, err := exec.Command("go", "env", "CGO_ENABLED").Output(); err != nil ||
		strings.TrimSpace(string(out)) != "1" {
		t.Skip("a C compiler, which the race detector needs, is missing (Debian: gcc)")
	}
	module(t, `
func TestNowAndThen(t *testing.T) {
	f, err := os.OpenFile("runs", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	f.WriteString("x")
	f.Close()
	if runs, _ := os.ReadFile("runs"); len(runs) == 6 {
		t.Error("the sixth run")
	}
}
`)
	code, out, errs := testrun("repeat", "-runs", "8", "-keep", "kept")
	assert.Equal(t, 1, code, errs)
	line := strings.Fields(strings.Split(out, "\n")[1])
	require.GreaterOrEqual(t, len(line), 16, out)
	assert.Equal(t, "small 1 / 8 0 / 2 0 / 2", strings.Join(line[:10], " "))
	assert.Contains(t, out, "\n7 runs passed, 1 failed\n")
	kept, err := filepath.Glob("kept/*busy.txt")
	require.NoError(t, err)
	require.Len(t, kept, 1, errs)
	text, err := os.ReadFile(kept[0])
	require.NoError(t, err)
	assert.Contains(t, string(text), "the sixth run")
}
