package relaytest

import (
	"sync"
	"testing"
	"time"
)

// A gauge tells how late things are at the moment: a goroutine does the same small thing again and again, and adds up
// by how much more than usual it took. Where a test judges a time it allows for that, so that a crowded machine is not
// taken for a fault.
type latenessGauge struct {
	usual time.Duration // what one round takes on a quiet machine, at most
	stop  chan struct{} // closed by end
	done  chan struct{} // closed when the goroutine has ended

	mu    sync.Mutex
	late  time.Duration // all rounds so far
	began time.Time     // of the round under way
	worst [2]time.Duration
	since time.Time // when worst[0] began
}

// worstFor is for how long a bad round is remembered, at least.
const worstFor = time.Second

func newGauge(usual time.Duration, round func()) *latenessGauge {
	g := &latenessGauge{usual: usual, stop: make(chan struct{}), done: make(chan struct{}), since: time.Now()}
	go func() {
		defer close(g.done)
		for {
			g.start()
			round()
			g.finish()
			select {
			case <-g.stop:
				return
			default:
			}
		}
	}()
	return g
}

func (g *latenessGauge) start() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.began = time.Now()
}

func (g *latenessGauge) finish() {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	late := max(0, now.Sub(g.began)-g.usual)
	g.late += late
	g.began = now
	if now.Sub(g.since) > worstFor {
		g.since, g.worst = now, [2]time.Duration{0, g.worst[0]}
	}
	g.worst[0] = max(g.worst[0], late)
}

// total is how late all rounds were together, the one under way included.
func (g *latenessGauge) total() time.Duration {
	if g == nil {
		return 0
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.late + max(0, time.Since(g.began)-g.usual)
}

// lately is by how much the worst round of the last second or two was late.
func (g *latenessGauge) lately() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	return max(g.worst[0], g.worst[1], time.Since(g.began)-g.usual)
}

func (g *latenessGauge) end() {
	close(g.stop)
	<-g.done
}

const (
	// sleep and sleepUsual are a round of the machine's gauge, and what a quiet machine adds to it.
	sleep      = 2 * time.Millisecond
	sleepUsual = 2 * time.Millisecond
	// peerPause and peerUsual are those of the other side's.
	peerPause = 50 * time.Millisecond
	peerUsual = 5 * time.Millisecond
)

// Lateness begins to watch how late this machine wakes a sleeper. Lately is by how much at most within the last second
// or two; end stops the watch.
func Lateness() (lately func() time.Duration, end func()) {
	g := machineGauge()
	return g.lately, g.end
}

func machineGauge() *latenessGauge {
	return newGauge(sleep+sleepUsual, func() { time.Sleep(sleep) })
}

// peerGauge asks the other side.
func peerGauge(ask func()) *latenessGauge {
	return newGauge(peerPause+peerUsual, func() {
		time.Sleep(peerPause)
		ask()
	})
}

// machine is the gauge of this process, while a suite runs.
var machine struct {
	mu    sync.Mutex
	users int
	gauge *latenessGauge
}

// watchMachine starts the gauge, unless it runs already. The function that it returns ends that use of it.
func watchMachine() func() {
	m := &machine
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.users++; m.users == 1 {
		m.gauge = machineGauge()
	}
	return func() {
		m.mu.Lock()
		defer m.mu.Unlock()
		if m.users--; m.users == 0 {
			m.gauge.end()
			m.gauge = nil
		}
	}
}

func theMachine() *latenessGauge {
	machine.mu.Lock()
	defer machine.mu.Unlock()
	return machine.gauge
}

const (
	// timeoutSleeps is how many bare sleeps Timeout looks at.
	timeoutSleeps = 10
	// timeoutLates is how often in a row one request may be late: on both sides, in sockets and in processes.
	timeoutLates = 10
	// timeoutMost bounds what is added, so that the suite's openings are still longer.
	timeoutMost = 700 * time.Millisecond
)

// Timeout returns a time-out for requests to a controller in a test: the one that a quiet machine needs, and as much
// more as things are late here just now.
func Timeout(quiet time.Duration) time.Duration {
	late := time.Duration(0)
	if g := theMachine(); g != nil {
		late = g.lately()
	}
	for range timeoutSleeps { // a gauge that began just now has seen nothing
		began := time.Now()
		time.Sleep(sleep)
		late = max(late, time.Since(began)-sleep-sleepUsual)
	}
	return (quiet + min(timeoutLates*late, timeoutMost)).Round(time.Millisecond)
}

// mark is an instant on the gauges.
type mark struct{ machine, peer time.Duration }

func (r *testBed) mark() mark {
	if r.virtual {
		return mark{}
	}
	return mark{theMachine().total(), r.peer.total()}
}

// late is what is allowed for since a mark: twice what a bare sleeper was late by, and what the other side was.
func (r *testBed) late(since mark) time.Duration {
	now := r.mark()
	return 2*(now.machine-since.machine) + now.peer - since.peer
}

// Allowance returns a function that tells what to allow for in a test's bound on a time: twice by what a bare sleeper
// of this process was late since Allowance was called.
func Allowance(t testing.TB) func() time.Duration {
	g := machineGauge()
	t.Cleanup(g.end)
	return func() time.Duration { return 2 * g.total() }
}
