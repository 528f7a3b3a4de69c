package relaytest

import (
	"sync"
	"testing"
	"time"
)

// A latenessGauge measures how late this machine is at present. A goroutine repeats a short action and adds up by how
// much each round exceeds its usual duration. Tests add the result to their bounds, so that a busy machine is not
// mistaken for a fault.
type latenessGauge struct {
	usual time.Duration // the longest duration of a round on a quiet machine
	made  time.Time
	stop  chan struct{} // closed by end
	done  chan struct{} // closed when the goroutine has ended

	mu    sync.Mutex
	late  time.Duration // sum of all rounds so far
	began time.Time     // start of the current round
	worst [2]time.Duration
	since time.Time // start of the period of worst[0]
}

// worstFor is the shortest time for which the gauge remembers a bad round.
const worstFor = time.Second

func newGauge(usual time.Duration, round func()) *latenessGauge {
	now := time.Now()
	g := &latenessGauge{usual: usual, stop: make(chan struct{}), done: make(chan struct{}), began: now, since: now,
		made: now}
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

// total returns the sum of all rounds' lateness, including the current round's.
func (g *latenessGauge) total() time.Duration {
	if g == nil {
		return 0
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.late + max(0, time.Since(g.began)-g.usual)
}

// recentMax returns the lateness of the worst round of the last second or two.
func (g *latenessGauge) recentMax() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	return max(g.worst[0], g.worst[1], time.Since(g.began)-g.usual)
}

func (g *latenessGauge) end() {
	close(g.stop)
	<-g.done
}

const (
	// sleep is one round of the machine's gauge. sleepUsual is what a quiet machine adds to it.
	sleep      = 2 * time.Millisecond
	sleepUsual = 2 * time.Millisecond
	// peerPause and peerUsual are the same for the gauge of the other side.
	peerPause = 50 * time.Millisecond
	peerUsual = 5 * time.Millisecond
)

// Lateness starts to measure how late this machine wakes a sleeping goroutine. The function lately returns the largest
// lateness of the last second or two. The function end stops the measurement.
func Lateness() (lately func() time.Duration, end func()) {
	g := machineGauge()
	return g.recentMax, g.end
}

func machineGauge() *latenessGauge {
	return newGauge(sleep+sleepUsual, func() { time.Sleep(sleep) })
}

// peerGauge measures the other side's answers to ask.
func peerGauge(ask func()) *latenessGauge {
	return newGauge(peerPause+peerUsual, func() {
		time.Sleep(peerPause)
		ask()
	})
}

// machine is the gauge of this process, which exists while a suite runs.
var machine struct {
	mu    sync.Mutex
	users int
	gauge *latenessGauge
}

// watchMachine starts the gauge unless it is running. The caller calls the returned function when it no longer needs
// the gauge.
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

func processGauge() *latenessGauge {
	machine.mu.Lock()
	defer machine.mu.Unlock()
	return machine.gauge
}

const (
	// timeoutSleeps is the number of plain sleeps that Timeout measures.
	timeoutSleeps = 10
	// timeoutLates is the number of delays in a row that one request may meet: on both sides, in sockets and in
	// processes.
	timeoutLates = 10
	// timeoutMost is the longest time that Timeout adds, so that the suite's openings are still longer than the
	// time-out.
	timeoutMost = 700 * time.Millisecond
)

// Timeout returns a time-out for a test's requests to a controller: the time-out for a quiet machine, plus an allowance
// for the present lateness of this machine.
func Timeout(quiet time.Duration) time.Duration {
	late := time.Duration(0)
	if g := processGauge(); g != nil {
		late = g.recentMax()
		if time.Since(g.made) < worstFor { // the suite's own start is still to come
			late = timeoutMost / timeoutLates
		}
	}
	for range timeoutSleeps { // outside a suite there is no gauge
		began := time.Now()
		time.Sleep(sleep)
		late = max(late, time.Since(began)-sleep-sleepUsual)
	}
	return (quiet + min(timeoutLates*late, timeoutMost)).Round(time.Millisecond)
}

// mark is a reading of both gauges.
type mark struct{ machine, peer time.Duration }

func (r *testBed) mark() mark {
	if r.virtual {
		return mark{}
	}
	return mark{processGauge().total(), r.peer.total()}
}

// late is the allowance for the time since a mark: twice the lateness of a plain sleep, plus the lateness of the other
// side.
func (r *testBed) late(since mark) time.Duration {
	now := r.mark()
	return 2*(now.machine-since.machine) + now.peer - since.peer
}

// Allowance returns a function that returns the allowance for a test's bound on a time: twice the lateness of plain
// sleeps in this process since Allowance was called.
func Allowance(t testing.TB) func() time.Duration {
	g := machineGauge()
	t.Cleanup(g.end)
	return func() time.Duration { return 2 * g.total() }
}
