//go:build linux

package figures

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestReload measures the command `reload` with 100 lines: with a file that changes none of them, then all of them, then
// their relay board too. Limit: 200 ms.
func TestReload(t *testing.T) {
	skipUnlessFigures(t)
	h := newTestBed(t, 100, false)
	path := filepath.Join(h.dir, "clearback.yaml")
	reload := func(from, to string) time.Duration {
		t.Helper()
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		text = bytes.ReplaceAll(text, []byte(from), []byte(to))
		require.NoError(t, os.WriteFile(path, text, 0o600))
		began := time.Now()
		out, err := exec.Command(program, "reload", "--config", path).CombinedOutput()
		took := time.Since(began)
		require.NoError(t, err, "%s", out)
		require.NotContains(t, string(out), "wait")
		return took
	}
	w := newWatch(t)
	took := map[string]samples{}
	for n := range count(20, 3) {
		took["no line changes"] = append(took["no line changes"], reload("", ""))
		took["all lines change"] = append(took["all lines change"], reload("\n    policy:",
			fmt.Sprintf("\n    location: %d\n    calls: %d\n    policy:", n, 2+n%2)))
		reload(fmt.Sprintf("\n    location: %d\n    calls: %d\n", n, 2+n%2), "\n")
		timeout := [2]string{"502ms", "501ms"}
		took["and their board"] = append(took["and their board"], reload("modbus: {address:",
			fmt.Sprintf("modbus: {timeout: %s, address:", timeout[n%2])))
		reload(fmt.Sprintf("{timeout: %s, address:", timeout[n%2]), "{address:")
	}
	v := w.verdict()
	for what, all := range took {
		t.Logf("reload with 100 lines, %s: %v", what, all)
		v.add(figure{name: "reload with 100 lines, " + what + ", longest", value: ms(all.quantile(100)), unit: "ms",
			bound: atMost(200)})
	}
}
