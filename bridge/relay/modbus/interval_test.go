package modbus

import (
	"context"
	"flag"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

var long = flag.Bool("long", false,
	"measure and wait for longer: TestIntervalError with busy processors, TestBlockedLink for 10 s, more kinds of boards")

const hogVariable = "CLEARBACK_TEST_HOG"

// TestBusyProcessor is not a test. It keeps one processor busy, in a child process of TestIntervalError.
func TestBusyProcessor(t *testing.T) {
	if os.Getenv(hogVariable) == "" {
		t.Skip("only as a child process of TestIntervalError")
	}
	parent := os.Getppid()
	for x, n := 1, 0; os.Getppid() == parent; n++ {
		for range 1 << 20 {
			x = x*31 + n
		}
		runtime.KeepAlive(x)
	}
}

// TestIntervalError measures how far openings miss their length. The driver counts from the board's confirmation to its
// own close command plus the answer (OpenFor). The board counts from one movement of its coil to the next.
//
//	go test ./bridge/relay/modbus -run TestIntervalError -long -v
//
// Bounds: never short by more than 0.5 ms; 99 % within 1.5 ms on an idle machine, within 25 ms with all processors
// busy.
func TestIntervalError(t *testing.T) {
	n, lines := 10, 8
	if *long {
		n = 60
	}
	own, board, bare := measureIntervals(t, n, lines)
	tell(t, "quiet, by the driver", own)
	tell(t, "quiet, by the board", board)
	tell(t, "meanwhile, a bare wait of the kernel", bare)
	require.GreaterOrEqual(t, min(own[0], board[0]), -500*time.Microsecond, "an opening was too short")
	if !*long {
		return // the machine may be busy with other tests
	}
	if idle := quantile(bare, 99); idle < 500*time.Microsecond {
		require.Less(t, quantile(board, 99), 1500*time.Microsecond)
	} else {
		t.Logf("this machine is not idle (a bare wait ends %v late), so the bound for idle machines is not applied",
			idle)
	}

	for range runtime.NumCPU() {
		hog := exec.Command(os.Args[0], "-test.run=^TestBusyProcessor$")
		hog.Env = append(os.Environ(), hogVariable+"="+strconv.Itoa(os.Getpid()))
		programtest.Start(t, hog)
	}
	own, board, bare = measureIntervals(t, n, lines)
	tell(t, "all processors busy, a bare wait", bare)
	tell(t, "all processors busy, by the driver", own)
	tell(t, "all processors busy, by the board", board)
	require.GreaterOrEqual(t, min(own[0], board[0]), -500*time.Microsecond, "an opening was too short")
	require.Less(t, quantile(board, 99), 25*time.Millisecond)
}

func quantile(sorted []time.Duration, percent int) time.Duration {
	return sorted[len(sorted)*percent/100]
}

func tell(t *testing.T, what string, d []time.Duration) {
	t.Logf("%-36s error min %8v  p50 %8v  p99 %8v  max %8v  n %d", what, d[0].Round(time.Microsecond),
		quantile(d, 50).Round(time.Microsecond),
		quantile(d, 99).Round(time.Microsecond), d[len(d)-1].Round(time.Microsecond), len(d))
}

// measureIntervals opens each line n times and returns the errors, sorted.
func measureIntervals(t *testing.T, n, lines int) (own, seen, bare []time.Duration) {
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})
	b, err := NewBoard(Options{Name: "board", Address: board.Address(), Timeout: time.Second})
	require.NoError(t, err)
	var contacts []*Contact
	for i := range lines {
		c, err := b.Contact(ContactOptions{Name: "line " + strconv.Itoa(i), Unit: 1, Coil: uint16(i), OpenOn: true})
		require.NoError(t, err)
		contacts = append(contacts, c)
	}
	b.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	defer b.Shutdown(ctx)
	require.NoError(t, b.Ready(ctx))
	results := make(chan time.Duration, n*lines) // large enough that lines do not wait for each other
	done := make(chan struct{}, lines)           // large enough that no line waits for the loop below
	asked := func(line, k int) time.Duration {
		return 40*time.Millisecond + time.Duration(line*7+k*13)*time.Millisecond
	}
	for i, c := range contacts {
		go func() {
			defer func() { done <- struct{}{} }()
			for k := range n {
				r := c.Interrupt(ctx, relay.Interruption{Seq: uint32(k), Duration: asked(i, k),
					NotAfter: time.Now().Add(time.Second)})
				if r.Outcome != relay.Done {
					t.Errorf("line %d, opening %d: %+v", i, k, r)
					return
				}
				results <- r.OpenFor - asked(i, k)
			}
		}()
	}
	for ended := 0; ended < lines; {
		until := time.Now().Add(10 * time.Millisecond)
		relay.SleepUntil(until)
		bare = append(bare, time.Since(until))
		select {
		case <-done:
			ended++
		default:
		}
	}
	close(results)
	for d := range results {
		own = append(own, d)
	}
	for i := range lines {
		for k, ch := range slices.Collect(slices.Chunk(board.Changes(i), 2)) {
			seen = append(seen, width(ch)-asked(i, k))
		}
	}
	require.Len(t, seen, n*lines)
	slices.Sort(own)
	slices.Sort(seen)
	slices.Sort(bare)
	return own, seen, bare
}

func width(c []relaytest.Change) time.Duration { return c[1].At - c[0].At }
