//go:build linux

package figures

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

var (
	figures = flag.Bool("figures", false, "measure; with -short in about 20 s, with few samples")
	soak    = flag.Duration("soak", 0,
		"how long the load of calls lasts; 0: 20 s, with -short 4 s; growth is limited from 2 min on")
	flooded  = flag.Duration("flood", 0, "how long a flood lasts; 0: 15 s, with -short 3 s")
	outage   = flag.Duration("outage", 0, "how long TestOutage keeps the ways of the alarms down; 0: it is skipped")
	measured = flag.String("daemon", "", "the `binary` to be measured; built from this tree if empty")
)

// helperVariable makes the test binary run as one of the helpers, each in a process of its own.
const helperVariable = "CLEARBACK_FIGURES_HELPER"

// program is the daemon under test.
var program string

func TestMain(m *testing.M) {
	code := testMain(m)
	results.print(os.Stdout)
	os.Exit(code)
}

func testMain(m *testing.M) int {
	switch os.Getenv(helperVariable) {
	case "media":
		return mediaHelper()
	case "bare":
		return bareHelper()
	case "proxy":
		return proxyHelper()
	case "callers":
		return callersHelper()
	case "hog":
		return hogHelper()
	}
	flag.Parse()
	if !*figures {
		return m.Run()
	}
	if program = *measured; program != "" {
		return m.Run()
	}
	dir, err := os.MkdirTemp("", "clearback-figures")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	program = filepath.Join(dir, "clearback")
	build := exec.Command("go", "build", "-trimpath", "-o", program, "clearback/cmd/clearback")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "go build: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// count returns a number of samples: full, or short with -short.
func count(full, short int) int {
	if testing.Short() {
		return short
	}
	return full
}

// span returns a length of time: that of the flag if it is set, otherwise full, or short with -short.
func span(flag, full, short time.Duration) time.Duration {
	switch {
	case flag != 0:
		return flag
	case testing.Short():
		return short
	}
	return full
}
