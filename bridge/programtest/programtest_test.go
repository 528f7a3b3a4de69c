package programtest

import (
	"os/exec"
	"strings"
	"testing"
)

// Told to look for what there is not, a test skips, and fails where CI is set; the line is the one that the command of
// the tests reads.
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
		t.Error("no path of a program that is there")
	}
}
