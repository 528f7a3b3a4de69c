package programtest

import (
	"os/exec"
	"strings"
	"testing"
)

// If a program is missing, a test skips, but fails if CI is set. The command that runs the tests reads the logged line.
func TestMissing(t *testing.T) {
	for ci, want := range map[string]string{"": "--- SKIP: TestLooks", "yes": "--- FAIL: TestLooks"} {
		cmd := exec.Command("go", "test", "-vet=off", "-v", "-run", "^TestLooks$", "./testdata/looks")
		cmd.Env = append(cmd.Environ(), "CI="+ci)
		out, _ := cmd.CombinedOutput()
		if !strings.Contains(string(out), want) || !strings.Contains(string(out),
			": no-such-program is missing (Debian: no-such-package)") {
			t.Errorf("CI=%q: %s", ci, out)
		}
	}
	if path := Need(t, "go", "golang-go"); path == "" {
		t.Error("no path for an existing program")
	}
}
