// Package programtest finds the outside programs that tests need, and runs programs: it collects their output, waits
// for a line or for a notice to the service manager, and ends them. If a program is missing, the package skips the test
// and logs a line of a fixed form, which the command that runs the tests counts by program. If the environment variable
// CI is not empty, the test fails instead.
package programtest

import (
	"os"
	"os/exec"
	"testing"
)

// Need returns the path of a program. debian names the Debian package that has it.
func Need(t testing.TB, program, debian string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		Missing(t, program, debian)
	}
	return path
}

// Missing ends a test that needs something this machine lacks. debian names the packages that have it.
func Missing(t testing.TB, what, debian string) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is missing (Debian: %s); it is compulsory where CI is set", what, debian)
	}
	t.Skipf("%s is missing (Debian: %s)", what, debian)
}
