//go:build linux

package interop

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/relaytest/vm"
)

var inVM = flag.Bool("vm", false, "run the tests that need the virtual machine in one")

// TestAgentInVM runs the agent on a GPIO line and on a serial port of the kernel: simulated chips, and an emulated
// 16550 whose register shows RTS. The program in the virtual machine is this test binary.
func TestAgentInVM(t *testing.T) {
	if vm.Inside() || !*inVM {
		t.Skip("in the virtual machine only by -vm")
	}
	options := vm.Options{Files: map[string]string{built.other: "/clearback"}}
	t.Run("contacts", func(t *testing.T) { vm.Tests(t, options, "^TestKernelAgentContacts$") })
	t.Run("frozen", func(t *testing.T) {
		m := vm.Start(t, options, vm.Build(t, "test", "-c", "."), "-test.v", "-test.run", "^TestKernelAgentFrozen$")
		status := m.Wait()
		require.Contains(t, m.Output(), "the agent is frozen, the contact is open")
		require.NotContains(t, m.Output(), "the machine was not reset")
		require.Equal(t, vm.StatusBroken, status, "reset: a machine that ended without a status\n%s", m.Output())
	})
}

// chip is a simulated GPIO chip.
type chip struct{ label, sysfs string }

func newChip(t *testing.T) chip {
	t.Helper()
	dir := "/sys/kernel/config/gpio-sim/agent"
	require.NoError(t, os.MkdirAll(dir+"/bank0", 0o755))
	write := func(name, text string) { require.NoError(t, os.WriteFile(dir+"/"+name, []byte(text), 0o644)) }
	read := func(name string) string {
		b, err := os.ReadFile(dir + "/" + name)
		require.NoError(t, err)
		return strings.TrimSpace(string(b))
	}
	write("bank0/num_lines", "8")
	write("bank0/label", "playhouse")
	write("live", "1")
	return chip{"playhouse", filepath.Join("/sys/devices/platform", read("dev_name"), read("bank0/chip_name"))}
}

// level returns the level of the chip's line as seen from outside.
func (c chip) level(t *testing.T, line int) string {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("%s/sim_gpio%d/value", c.sysfs, line))
	require.NoError(t, err)
	return strings.TrimSpace(string(b))
}

func (c chip) pull(t *testing.T, line int, way string) {
	t.Helper()
	require.NoError(t, os.WriteFile(fmt.Sprintf("%s/sim_gpio%d/pull", c.sysfs, line), []byte("pull-"+way), 0o644))
}

// rts reads bit 1 of the modem control register of ttyS1 (16550, at 0x2f8).
func rts(t *testing.T) bool {
	t.Helper()
	f, err := os.Open("/dev/port")
	require.NoError(t, err)
	defer f.Close()
	var b [1]byte
	_, err = f.ReadAt(b[:], 0x2fc)
	require.NoError(t, err)
	return b[0]&2 != 0
}

const kernelAgentFile = `listen: 127.0.0.1:%d
allow_from: [127.0.0.1]
hardware_watchdog: {device: /dev/watchdog, timeout: 2s}
contacts:
  - name: box-office
    gpio: {chip: playhouse, line: 4, sense: {line: 5, debounce: 1ms}}
  - name: stage-door
    serial: {device: /dev/ttyS1, line: rts}
`

func newKernelAgent(t *testing.T) (*agent, chip) {
	if !vm.Inside() {
		t.Skip("runs in the virtual machine")
	}
	c := newChip(t)
	a := prepareAgent(t, func(a *agent) string { return fmt.Sprintf(kernelAgentFile, a.port) })
	a.start()
	return a, c
}

func TestKernelAgentContacts(t *testing.T) {
	a, c := newKernelAgent(t)
	m := a.master()
	open := func(seq uint16, ms uint16) {
		for _, register := range []uint16{0, 2} { // refused until the contact has been closed for 250 ms
			a.until("an opening is obeyed", func() bool { return m.WriteRegisters(register, []uint16{seq, ms}) == nil })
		}
		require.Equal(t, "1", c.level(t, 4))
		require.True(t, rts(t))
	}
	closed := func() bool { return c.level(t, 4) == "0" && !rts(t) }
	require.True(t, closed(), "closed first")
	open(1, 300)
	a.until("the timer", closed)
	for line, want := range map[string]bool{"up": true, "down": false} {
		c.pull(t, 5, line)
		a.until("loop current "+line, func() bool {
			flows, err := m.ReadDiscreteInput(0)
			require.NoError(t, err)
			return flows == want
		})
	}
	open(7, 500)
	began := time.Now() // monotonic
	var now syscall.Timeval
	require.NoError(t, syscall.Gettimeofday(&now))
	now.Sec -= 3600
	require.NoError(t, syscall.Settimeofday(&now))
	a.until("the timer, though the time of day was set back by an hour", closed)
	require.InDelta(t, 500*time.Millisecond, time.Since(began), float64(400*time.Millisecond), "in an emulated machine")

	open(2, 3000)
	require.NoError(t, m.WriteCoil(0, false))
	require.NoError(t, m.WriteCoil(1, false))
	require.True(t, closed())

	open(3, 3000)
	a.Signal(syscall.SIGTERM)
	require.Equal(t, 0, a.code(), a.Output())
	require.True(t, closed(), "closed last")

	a.start()
	m = a.master()
	open(1, 3000)
	a.Kill()
	require.Equal(t, -1, a.code())
	t.Logf("after a kill: GPIO line %s, RTS %v", c.level(t, 4), rts(t))
	require.False(t, rts(t), "the kernel drops the lines of a port that its last holder has left (HUPCL)")
	out, err := a.command("--close", "--within", "5s").CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.True(t, closed())
	a.start()
	require.True(t, closed())
	// This stops the hardware watchdog, which the kill left running.
	a.Signal(syscall.SIGTERM)
	require.Equal(t, 0, a.code(), a.Output())
}

// A frozen agent feeds no watchdog, so the machine is reset, whatever state the contact is in.
func TestKernelAgentFrozen(t *testing.T) {
	a, c := newKernelAgent(t)
	require.NoError(t, a.master().WriteRegister(1, 3000))
	require.Equal(t, "1", c.level(t, 4))
	a.Signal(syscall.SIGSTOP)
	fmt.Println("the agent is frozen, the contact is open")
	<-time.After(20 * time.Second) // ten times the watchdog's time; the machine resets long before
	fmt.Println("the machine was not reset")
}
