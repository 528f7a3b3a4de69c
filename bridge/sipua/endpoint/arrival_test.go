package endpoint

import (
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// fakeClock stands for both clocks of a machine.
type fakeClock struct{ wall, boot time.Duration }

func (f *fakeClock) pass(d time.Duration) { f.wall, f.boot = f.wall+d, f.boot+d }

const (
	someDay = 800_000 * time.Hour // start of the wall clock
	someRun = time.Hour           // time since the machine started
)

// ticking lets time pass as it does while the process runs.
func (f *fakeClock) ticking(a *arrivals, d time.Duration) {
	for ; d > 0; d -= lookEvery {
		f.pass(min(d, lookEvery))
		a.now()
	}
}

// The age of a message follows from the kernel's stamp. If the stamp is not valid, it follows from the time when the
// process was stopped.
func TestArrivals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		before func(f *fakeClock, a *arrivals) // what happens between the start of the read and the arrival
		after  func(f *fakeClock, a *arrivals) // what happens between the arrival and the end of the read
		stream bool
		age    time.Duration
	}{
		"at once":        {},
		"idle for a day": {before: func(f *fakeClock, a *arrivals) { f.ticking(a, 24*time.Hour) }},
		"stood still":    {after: func(f *fakeClock, _ *arrivals) { f.pass(5 * time.Second) }, age: 5 * time.Second},
		"busy": {after: func(f *fakeClock, _ *arrivals) { f.pass(600 * time.Millisecond) },
			age: 600 * time.Millisecond},
		"slept for a night": {after: func(f *fakeClock, _ *arrivals) { f.pass(9 * time.Hour) }, age: 9 * time.Hour},
		"the clock was set an hour back before it came": {before: func(f *fakeClock, a *arrivals) {
			f.wall -= time.Hour
			f.ticking(a, time.Second)
		}},
		"the clock was set 2 s ahead after it came": {after: func(f *fakeClock,
			_ *arrivals) {
			f.wall += 2 * time.Second
		}},
		"the clock was set 2 s back after it came": {after: func(f *fakeClock,
			_ *arrivals) {
			f.wall -= 2 * time.Second
		}},
		"the clock was set while it stood still": {
			after: func(f *fakeClock, _ *arrivals) { f.pass(5 * time.Second); f.wall -= 3 * time.Second },
			age:   5 * time.Second},
		"the clock runs 400 ppm slow": {before: func(f *fakeClock, a *arrivals) {
			for range 3600 {
				f.ticking(a, time.Second)
				f.wall -= 400 * time.Microsecond
			}
		}, after: func(f *fakeClock, _ *arrivals) { f.pass(3 * time.Second) }, age: 3 * time.Second},
		"a stream at once": {stream: true},
		"a stream while busy": {stream: true, after: func(f *fakeClock,
			_ *arrivals) {
			f.pass(600 * time.Millisecond)
		}},
		"a stream stood still": {stream: true, after: func(f *fakeClock, _ *arrivals) { f.pass(5 * time.Second) },
			age: 5 * time.Second},
		"a stream after a standstill": {stream: true, before: func(f *fakeClock, a *arrivals) {
			f.pass(5 * time.Second)
			a.now()
			f.ticking(a, 500*time.Millisecond)
		}, age: 5500 * time.Millisecond}, // it may have arrived while the process was stopped
	} {
		t.Run(name, func(t *testing.T) {
			f := &fakeClock{someDay, someRun}
			a := &arrivals{clocks: func() (wall, boot time.Duration) { return f.wall, f.boot }}
			a.now()
			f.ticking(a, time.Second)
			began, start := a.now(), time.Now()
			if c.before != nil {
				c.before(f, a)
			}
			stamp := f.wall
			if c.stream {
				stamp = 0
			}
			if c.after != nil {
				c.after(f, a)
			}
			age := f.boot - time.Duration(a.arrivalOf(began, stamp))
			require.InDelta(t, float64(c.age), float64(age), float64(20*time.Millisecond))
			require.Equal(t, c.age > stopGap, a.resumed().After(start))
		})
	}
}

// A message that arrives on an idle stream long after a stop counts as new. If it had arrived during the stop, it would
// have been read when the process resumed.
func TestArrivalLongAfterStandstill(t *testing.T) {
	t.Parallel()
	f := &fakeClock{someDay, someRun}
	a := &arrivals{clocks: func() (wall, boot time.Duration) { return f.wall, f.boot }}
	began := a.now()
	f.pass(5 * time.Second)
	a.now()
	f.ticking(a, time.Minute)
	require.Equal(t, Arrival(f.boot), a.arrivalOf(began, 0))
}

// Edge cases: without a boot clock no arrival is known; the first reading of the clocks reports no stop; a message
// without a stamp counts as arrived now, even if the wall clock began with the machine; a stamp is valid to the last
// millisecond of a stop, and only if it is later than the last setting of the clock.
func TestArrivalsAtTheirEdges(t *testing.T) {
	t.Parallel()
	f := &fakeClock{wall: someDay}
	a := &arrivals{clocks: func() (wall, boot time.Duration) { return f.wall, f.boot }}
	for range 3 {
		require.Zero(t, a.now())
		require.Zero(t, a.arrivalOf(0, f.wall))
		require.Zero(t, a.arrivalOf(0, 0))
		require.Zero(t, a.resumed())
		f.wall += time.Hour
	}
	f.boot = someRun
	a = newArrivals(a.clocks)
	require.Equal(t, Arrival(someRun), a.now())
	require.Zero(t, a.resumed())
	for _, a := range []*arrivals{a, newArrivals(a.clocks)} { // stopped after the last reading, after the only one
		f.pass(stopGap + 1)
		require.False(t, a.resumed().IsZero())
	}
	a = newArrivals(a.clocks)

	f.pass(stopGap)
	a.now()
	require.Zero(t, a.resumed(), "the process was only slow")

	f.wall = f.boot - time.Millisecond
	a = &arrivals{clocks: a.clocks}
	began := a.now()
	f.pass(time.Millisecond)
	require.Equal(t, Arrival(f.boot), a.arrivalOf(began, 0))

	f.wall = someDay
	a = &arrivals{clocks: a.clocks}
	began = a.now()
	f.pass(5 * time.Second)
	stamp := f.wall
	f.pass(time.Millisecond)
	require.Equal(t, Arrival(f.boot-time.Millisecond), a.arrivalOf(began, stamp))
	require.False(t, a.resumed().IsZero())
	require.Equal(t, Arrival(f.boot), a.arrivalOf(began, stamp+time.Millisecond+clockPairSlack),
		"what is off by so much came now")
	require.Equal(t, began, a.arrivalOf(began, stamp+time.Millisecond+clockPairSlack+1),
		"and what is off by more has no stamp")

	f.wall += time.Hour
	set := a.now()
	stamp = f.wall
	f.ticking(a, time.Second)
	require.Equal(t, Arrival(f.boot), a.arrivalOf(set, stamp), "it may be from before the clock was set")
	require.Equal(t, set+1, a.arrivalOf(set, stamp+1))
}

// An endpoint reads its clocks four times a second until it is closed, whether messages arrive or not.
func TestClocksAreRead(t *testing.T) {
	t.Parallel()
	var readings atomic.Int32
	clocks := func(o *Options) {
		o.Clocks = func() (wall, boot time.Duration) { readings.Add(1); return someDay, someRun }
	}
	bubble(t, testHandler{}, clocks, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		synctest.Wait() // the endpoint reads its socket
		readings.Store(0)
		<-time.After(10*lookEvery + 1)
		require.NoError(t, e.Close())
		require.EqualValues(t, 10, readings.Load())
		<-time.After(10 * lookEvery)
		require.EqualValues(t, 10, readings.Load())
	})
}

// If a stream delivers data in several reads, and each but the last fills the buffer, all of it may have arrived while
// the process was stopped. Later data is new.
func TestArrivalInFullBuffers(t *testing.T) {
	t.Parallel()
	const many = 50
	came := make(chan Arrival, many+1) // arrivals of all requests
	h := testHandler{request: func(r *Request) { came <- r.Arrival }}
	f := &fakeClock{someRun - time.Millisecond, someRun} // a machine whose wall clock began when it started
	clocks := func(o *Options) { o.Clocks = func() (wall, boot time.Duration) { return f.wall, f.boot } }
	bubble(t, h, clocks, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		c := piped(e, source(1))
		synctest.Wait() // the endpoint reads
		f.pass(5 * time.Second)
		var all []byte
		for i := range many {
			all = append(all, from(source(1), "ACK", fmt.Sprint("waited-", i))...)
		}
		require.Greater(t, len(all), 2*4096, "more than two buffers")
		_, err := c.Write(all)
		require.NoError(t, err)
		for range many {
			require.Equal(t, Arrival(someRun), <-came)
		}
		synctest.Wait()
		f.ticking(e.arrivals, time.Minute)
		_, err = c.Write(from(source(1), "ACK", "new"))
		require.NoError(t, err)
		require.Equal(t, Arrival(f.boot), <-came)
	})
}

// An endpoint with sockets of its own knows when a request arrived.
func TestArrivalOfARequest(t *testing.T) {
	t.Parallel()
	for _, network := range []string{"udp", "tcp"} {
		got := make(chan *Request, 1)
		e := open(t, testHandler{request: func(r *Request) { got <- r; r.Reply(200, "OK") }})
		before := e.arrivals.now()
		require.NotZero(t, before)
		w := dial(t, network, e)
		w.Send(w.Text(rawtest.Request{Method: "MESSAGE", CallID: "came"}))
		w.Expect("SIP/2.0 200")
		r := <-got
		require.GreaterOrEqual(t, r.Arrival, before-Arrival(clockPairSlack))
		require.LessOrEqual(t, r.Arrival, e.arrivals.now())
	}
}

// Data from a read that began after the stop is new.
func TestArrivalAfterStandstill(t *testing.T) {
	t.Parallel()
	f := &fakeClock{someDay, someRun}
	a := &arrivals{clocks: func() (wall, boot time.Duration) { return f.wall, f.boot }}
	stopped := a.now()
	f.pass(5 * time.Second)
	began, start := a.now(), time.Now()
	f.ticking(a, 100*time.Millisecond)
	require.Equal(t, Arrival(f.boot), a.arrivalOf(began, 0))
	f.ticking(a, stopGap-100*time.Millisecond)
	require.Equal(t, stopped, a.arrivalOf(stopped, 0), "a read that began before may still return what waited")
	f.pass(1)
	require.Equal(t, Arrival(f.boot), a.arrivalOf(stopped, 0), "it has had its time")
	require.False(t, a.resumed().After(start))
	require.False(t, a.resumed().IsZero())
	require.Zero(t, (*arrivals)(nil).arrivalOf(0, 1))
	require.Zero(t, (*arrivals)(nil).now())
	require.Zero(t, a.age(0))
	require.Zero(t, a.age(Arrival(f.boot)))
	require.EqualValues(t, 1, a.age(Arrival(f.boot-1)))
	require.Zero(t, a.age(Arrival(f.boot+1)), "the clocks are read one after the other")
	require.Zero(t, (*arrivals)(nil).age(1))
	require.Zero(t, (*arrivals)(nil).resumed())
}

// The wall clock counts as set if it gained or lost more than 5 ms and a thousandth of the time since the last reading.
// What was stamped before that has no valid stamp.
func TestClockSetOrSlewed(t *testing.T) {
	t.Parallel()
	const most = 5*time.Millisecond + 200*time.Millisecond/1000
	for gained, set := range map[time.Duration]bool{most: false, most + 1: true, -most: false, -most - 1: true} {
		f := &fakeClock{someDay, someRun}
		a := newArrivals(func() (wall, boot time.Duration) { return f.wall, f.boot })
		began := a.now()
		f.pass(100 * time.Millisecond)
		stamp, came := f.wall, f.boot
		f.pass(100 * time.Millisecond)
		f.wall += gained
		want := came - gained
		if set {
			want = f.boot
		}
		require.Equal(t, Arrival(want), a.arrivalOf(began, stamp), "%s", gained)
	}
}

// A message that waited in the socket of an earlier process is as old as its stamp says, unless the wall clock has been
// set since this process began.
func TestArrivalBeforeTheProcess(t *testing.T) {
	t.Parallel()
	f := &fakeClock{someDay, someRun}
	stamp := f.wall
	f.pass(7 * time.Second)
	a := newArrivals(func() (wall, boot time.Duration) { return f.wall, f.boot })
	require.Equal(t, 7*time.Second, f.boot-time.Duration(a.arrivalOf(a.now(), stamp)))
	f.ticking(a, time.Second)
	f.wall += time.Hour
	f.ticking(a, time.Second)
	require.Zero(t, f.boot-time.Duration(a.arrivalOf(a.now(), stamp)))
}

// An INVITE that waited in the socket of an earlier process rings no telephone if its sender has given up (Timer B, RFC
// 3261 section 17.1.1.2). Younger ones, and other requests of any age, are served.
func TestInviteOfLongAgo(t *testing.T) {
	t.Parallel()
	for age, want := range map[time.Duration][]string{
		sip.Timer_B / 2: {"INVITE", "OPTIONS"},
		sip.Timer_B * 2: {"OPTIONS"},
	} {
		var l log
		e := open(t, namesAndRefuses(&l), func(o *Options) {
			o.TCP = false
			o.Clocks = func() (wall, boot time.Duration) { // this process began when the messages were that old
				wall, boot = readClocks()
				return wall + age, boot + age
			}
		})
		p := dial(t, "udp", e)
		p.Send(p.Text(rawtest.Request{Method: "INVITE", CallID: "old"}))
		p.Send(p.Text(rawtest.Request{Method: "OPTIONS", CallID: "old"}))
		l.saw(t, want...)
		require.Equal(t, uint64(2-len(want)), e.Counts().Strays)
	}
}

// namesAndRefuses is a handler that notes the methods of requests and refuses them.
func namesAndRefuses(l *log) testHandler {
	return testHandler{request: func(r *Request) {
		l.add(string(r.Method))
		r.Reply(486, "Busy Here")
	}}
}

// A process that was stopped for longer than Timer B serves what it reads afterwards, even a call for help. Over TCP
// nobody knows when that came, and the sender may still be waiting.
func TestInviteAfterAStop(t *testing.T) {
	t.Parallel()
	for _, network := range []string{"udp", "tcp"} {
		var l log
		var stopped atomic.Int64
		e := open(t, namesAndRefuses(&l), func(o *Options) {
			o.Clocks = func() (wall, boot time.Duration) {
				wall, boot = readClocks()
				return wall + time.Duration(stopped.Load()), boot + time.Duration(stopped.Load())
			}
		})
		p := dial(t, network, e)
		p.Send(p.Text(rawtest.Request{Method: "OPTIONS", CallID: "before"}))
		p.Expect("SIP/2.0 486")
		stopped.Store(int64(2 * sip.Timer_B))
		p.Send(p.Text(rawtest.Request{Method: "INVITE", CallID: "help"}))
		l.saw(t, "OPTIONS", "INVITE")
	}
}
