package modbus

import (
	"cmp"
	"context"
	"flag"
	"os"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// TestMain checks for leaked goroutines after all tests, so that tests that run at the same time need not check.
func TestMain(m *testing.M) {
	flag.Parse()
	// The tests wait far more than they compute.
	if f := flag.Lookup("test.parallel"); f.Value.String() == f.DefValue {
		if err := f.Value.Set("4"); err != nil {
			panic(err)
		}
	}
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		os.RemoveAll(buildDir)
		os.Exit(code)
	}))
}

// suiteTurns lets two suites run at a time. Each has many concurrent cases with bounds on their times.
var suiteTurns = make(chan struct{}, 2)

// suiteTurn waits for a turn, and returns the function that ends it.
func suiteTurn() func() {
	suiteTurns <- struct{}{}
	return func() { <-suiteTurns }
}

// testTimeout is long enough for a machine that is busy with our other tests; see relaytest.Timeout.
const testTimeout = 300 * time.Millisecond

// subject puts two contacts on a board at the given address. The function change may alter both contacts' options.
func subject(t *testing.T, ctl relaytest.Controller, address string, s relaytest.Setup,
	change func(*ContactOptions)) *relaytest.Subject {
	t.Helper()
	limit := relaytest.Timeout(testTimeout)
	b, err := NewBoard(Options{Name: "board", Address: address, Timeout: cmp.Or(s.Timeout, limit),
		Poll: 50 * time.Millisecond, Notify: s.Notify})
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: ctl, Start: b.Start, Ready: b.Ready, Timeout: limit, Says: "exception 6"}
	if c, ok := ctl.(*modbustest.LibmodbusBoard); ok {
		sub.Peer = c.Peer
	}
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		o := ContactOptions{Name: name, Unit: 1, Coil: uint16(i), OpenOn: true}
		if change != nil {
			change(&o)
		}
		c, err := b.Contact(o)
		require.NoError(t, err)
		sub.Contacts[i] = c
		if o.Timed != nil {
			sub.Quantum, sub.Outlasts, sub.Tries = o.Timed.Unit, true, o.Timed.Sequence
		}
	}
	sub.Shutdown = func(ctx context.Context) []string {
		var names []string
		for _, n := range b.Shutdown(ctx) {
			names = append(names, n.Contact)
		}
		return names
	}
	ctx, end := context.WithCancel(context.Background())
	var sensing sync.WaitGroup
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), limit)
		defer cancel()
		b.Shutdown(ctx)
		end()
		sensing.Wait()
	})
	for _, c := range sub.Contacts {
		if c := c.(*Contact); c.opt.Sense != nil { // as in service, where an input is read all the time
			sensing.Go(func() {
				for ctx.Err() == nil {
					if _, err := c.Sense(ctx); err != nil {
						<-time.After(time.Millisecond) // there is no connection
					}
				}
			})
		}
	}
	return sub
}

func TestSuiteGoBoard(t *testing.T) {
	t.Parallel()
	run := func(name string, openOn bool, change func(*ContactOptions), timers ...modbustest.Timer) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			defer suiteTurn()()
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: openOn, Open: s.Open, Timers: timers})
				return subject(t, board, board.Address(), s, change)
			})
		})
	}
	run("open when off", false, func(o *ContactOptions) { o.OpenOn = false })
	run("sensing", true, func(o *ContactOptions) { o.Sense = &Sense{Input: o.Coil} })
	if !*long { // the libmodbus board has these cases too
		return
	}
	run("coil", true, nil)
	run("timed", true, func(o *ContactOptions) {
		o.Timed = &Timed{Register: o.Coil, Unit: 20 * time.Millisecond, Limit: 3 * time.Second}
	}, modbustest.Timer{Register: 0, Coil: 0, Unit: 20 * time.Millisecond},
		modbustest.Timer{Register: 1, Coil: 1, Unit: 20 * time.Millisecond})
	dog := relaytest.Timeout(300 * time.Millisecond) // one time for both contacts
	run("watchdog", true, func(o *ContactOptions) {
		o.Watchdog = &Watchdog{Register: 7, Unit: 10 * time.Millisecond, Timeout: dog}
	})
}
