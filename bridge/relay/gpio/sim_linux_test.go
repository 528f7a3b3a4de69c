package gpio

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"
	"clearback/bridge/relay/relaytest/vm"

	"github.com/stretchr/testify/require"
)

var inVM = flag.Bool("vm", false, "run the tests against the kernel's simulated chip, in a virtual machine")

// TestVM runs the tests TestKernel... in a virtual machine, whose kernel has the gpio-sim module.
func TestVM(t *testing.T) {
	if !*inVM {
		t.Skip("starts a virtual machine only with -vm")
	}
	vm.Tests(t, vm.Options{Timeout: 5 * time.Minute}, "^TestKernel")
}

// simChip is a chip of the kernel's gpio-sim module. Its files read and set the levels from the chip's side, without
// any of our code.
type simChip struct {
	t      testing.TB
	config string // its directory in configfs
	dir    string // its directory in sysfs
	path   string // path of its device
}

// newSimChip makes a chip with a line for each name.
func newSimChip(t testing.TB, label string, names ...string) *simChip {
	t.Helper()
	if !vm.Inside() {
		t.Skip("runs in the virtual machine: go test -run VM -vm")
	}
	config, err := os.MkdirTemp("/sys/kernel/config/gpio-sim", "chip")
	require.NoError(t, err)
	s := &simChip{t: t, config: config}
	bank := filepath.Join(config, "bank")
	require.NoError(t, os.Mkdir(bank, 0o755))
	s.write(filepath.Join(bank, "num_lines"), fmt.Sprint(len(names)))
	if label != "" {
		s.write(filepath.Join(bank, "label"), label) // the kernel keeps 31 bytes
	}
	for n, name := range names {
		if name == "" {
			continue
		}
		line := filepath.Join(bank, fmt.Sprintf("line%d", n))
		require.NoError(t, os.Mkdir(line, 0o755))
		s.write(filepath.Join(line, "name"), name)
	}
	s.plug()
	t.Cleanup(func() {
		s.unplug()
		lines, _ := filepath.Glob(filepath.Join(bank, "line*"))
		for _, l := range append(lines, bank, config) {
			_ = os.Remove(l) // a directory of configfs can be removed with its files in it
		}
	})
	return s
}

func (s *simChip) write(path, what string) {
	require.NoError(s.t, os.WriteFile(path, []byte(what), 0o600))
}

func (s *simChip) read(path string) string {
	b, err := os.ReadFile(path)
	require.NoError(s.t, err)
	return strings.TrimSpace(string(b))
}

// plug makes the chip appear.
func (s *simChip) plug() {
	s.write(filepath.Join(s.config, "live"), "1")
	chip := s.read(filepath.Join(s.config, "bank", "chip_name"))
	s.dir = filepath.Join("/sys/devices/platform", s.read(filepath.Join(s.config, "dev_name")), chip)
	s.path = "/dev/" + chip
}

// unplug makes the chip disappear, even if its lines are held.
func (s *simChip) unplug() { s.write(filepath.Join(s.config, "live"), "0") }

func (s *simChip) file(n int, name string) string {
	return filepath.Join(s.dir, fmt.Sprintf("sim_gpio%d", n), name)
}

// high reports whether a line's level is high.
func (s *simChip) high(n int) bool { return s.read(s.file(n, "value")) == "1" }

// pull sets the resistor that determines the level while the line is not driven.
func (s *simChip) pull(n int, up bool) {
	word := "pull-down"
	if up {
		word = "pull-up"
	}
	s.write(s.file(n, "pull"), word)
}

// faultyKernel returns a failing kernel on two of the chip's lines.
func (s *simChip) faultyKernel(first int, activeLow bool) *failingKernel {
	b := &failingKernel{kernel: newSystem(), first: first, timeout: 600 * time.Millisecond}
	var values [2]*os.File // kept open, since the suite reads them very often
	for n := range values {
		f, err := os.Open(s.file(first+n, "value"))
		require.NoError(s.t, err)
		s.t.Cleanup(func() { f.Close() })
		values[n] = f
	}
	b.isOpen = func(n int) bool {
		var v [1]byte
		if _, err := values[n].ReadAt(v[:], 0); err != nil {
			panic(err) // the suite has no way to fail here
		}
		return (v[0] == '1') != activeLow
	}
	b.pull = func(n int, open bool) { s.pull(first+n, open != activeLow) }
	b.pull(0, false)
	b.pull(1, false)
	return b
}

// atOnce is the number of cases that an emulated processor can run at the same time.
const atOnce = 4

// TestKernelSuite runs the conformance suite, with the simulated chip's levels as the positions of the contacts. Each
// case has two lines of the chip. Open-drain is not tested. The chip does not support it, so the kernel stops driving
// the line instead, and the chip's level then stays as it was instead of following the resistor.
func TestKernelSuite(t *testing.T) {
	for _, c := range []ContactOptions{{}, {ActiveLow: true}} {
		t.Run(fmt.Sprintf("active low %t", c.ActiveLow), func(t *testing.T) {
			chip := newSimChip(t, "", make([]string, 256)...)
			var cases atomic.Int32
			room := make(chan struct{}, atOnce) // a counting semaphore
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				room <- struct{}{}
				t.Cleanup(func() { <-room })
				first := 2 * int(cases.Add(1)-1)
				return subject(t, chip.faultyKernel(first, c.ActiveLow), s, chip.path, c)
			})
		})
	}
}
