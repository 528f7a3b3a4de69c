//go:build linux

package interop

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/relay/relaytest/vm"
)

var daemonRace = flag.Bool("daemon-race", false, "build the daemon with the race detector, which needs a C compiler")

// built holds the binaries that TestMain built: the daemon under test, and the same program for its other commands,
// which is never slowed by the race detector.
var built struct {
	dir           string
	daemon, other string
}

func TestMain(m *testing.M) { os.Exit(testMain(m)) }

func testMain(m *testing.M) int {
	flag.Parse()
	// The tests wait far more than they compute.
	if f := flag.Lookup("test.parallel"); f.Value.String() == f.DefValue {
		if err := f.Value.Set("8"); err != nil {
			panic(err)
		}
	}
	if vm.Inside() {
		built.other = "/clearback"
		return m.Run()
	}
	dir, err := os.MkdirTemp("", "clearback-interop")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	built.dir, built.daemon = dir, filepath.Join(dir, "clearback")
	built.other = built.daemon
	builds := []*exec.Cmd{exec.Command("go", "build", "-o", built.daemon, "clearback/cmd/clearback")}
	builds[0].Env = append(os.Environ(), "CGO_ENABLED=0")
	if *daemonRace {
		built.daemon += "-race"
		builds = append(builds, exec.Command("go", "build", "-race", "-o", built.daemon, "clearback/cmd/clearback"))
	}
	for _, build := range builds {
		if out, err := build.CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "go build: %v\n%s", err, out)
			return 1
		}
	}
	lately, end := relaytest.Lateness()
	defer end()
	lateness.machine = lately
	code := m.Run()
	if late, off := medianLateness(); code == 0 && max(late, off) > longMedian {
		fmt.Fprintf(os.Stderr,
			"half of all openings were longer than asked by %v or more, or recorded wrong by %v or more; allowed are %v\n",
			late, off, longMedian)
		return 1
	}
	return code
}

// packages lists the Debian packages of the programs that these tests need.
var packages = map[string]string{
	"sipp": "sip-tester", "baresip": "baresip-core", "kamailio": "kamailio", "sqlite3": "sqlite3", "curl": "curl",
	"stress-ng": "stress-ng", "mbpoll": "mbpoll",
	"python3": "python3", "mosquitto": "mosquitto", "mosquitto_passwd": "mosquitto", "openssl": "openssl", "cc": "gcc", "bash": "bash", "fish": "fish", "zsh": "zsh",
	"man": "man-db", "groff": "groff",
}

// need skips the test if a program is missing, or fails it if CI is set.
func need(t testing.TB, programs ...string) {
	t.Helper()
	for _, program := range programs {
		programtest.Need(t, program, packages[program])
	}
}

var buildBoard = sync.OnceValues(func() (string, error) { return modbustest.BuildLibmodbusBoard(built.dir) })
