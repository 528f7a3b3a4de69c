package modbus

import (
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"
)

// buildDir is the directory in which the board is built. TestMain removes it. It is empty if it could not be made.
var buildDir, errBuildDir = os.MkdirTemp("", "clearback-board")

var buildBoard = sync.OnceValues(func() (string, error) {
	if errBuildDir != nil {
		return "", errBuildDir
	}
	return modbustest.BuildLibmodbusBoard(buildDir)
})

func newLibmodbusBoard(t *testing.T, args ...string) *modbustest.LibmodbusBoard {
	t.Helper()
	return modbustest.StartLibmodbusBoard(t, buildBoard, args...)
}

func TestSuiteLibmodbusBoard(t *testing.T) {
	t.Parallel()
	run := func(name string, change func(*ContactOptions), args ...string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			defer suiteTurn()()
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := slices.Clone(args)
				if s.Open {
					own = append(own, "--power-on")
				}
				b := newLibmodbusBoard(t, own...)
				return subject(t, b, b.Address(), s, change)
			})
		})
	}
	run("coil", nil)
	run("timed", func(o *ContactOptions) {
		o.Timed = &Timed{Register: 10 + o.Coil, Unit: 20 * time.Millisecond, Limit: 3 * time.Second}
	}, "--timed", "10,0,20", "--timed", "11,1,20")
	run("pulse", pulsed, "--pulse", "10,0,20,150", "--pulse", "12,1,20,150")
	dog := relaytest.Timeout(300 * time.Millisecond) // one time for both contacts
	run("watchdog", func(o *ContactOptions) {
		o.Watchdog = &Watchdog{Register: 7, Unit: 10 * time.Millisecond, Timeout: dog}
	}, "--watchdog", "7,10")
}

// pulsed gives a contact a sequence number, as the C board has it with --pulse 10,0,20,150 --pulse 12,1,20,150.
func pulsed(o *ContactOptions) {
	o.Timed = &Timed{Register: 10 + 2*o.Coil, Sequence: true, Unit: 20 * time.Millisecond, Limit: 3 * time.Second}
}
