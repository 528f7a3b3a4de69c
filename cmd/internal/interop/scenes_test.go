//go:build linux

package interop

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	usual = 800 * time.Millisecond // the default interval
	lead  = 600 * time.Millisecond // the default lead

	// The bounds of an opening as the board sees it. An opening may not be short. A single one may be long, because a
	// stalled processor can delay the daemon, the board or the network. So TestMain compares the median of all openings
	// with the bound for busy processors, after subtracting the lateness of the machine itself at that time.
	shortBy    = 500 * time.Microsecond
	longBy     = time.Second
	longMedian = 25 * time.Millisecond
	// atOnce means at once, on a machine that runs the tests of other packages too. See (*testBed).soon.
	atOnce = 400 * time.Millisecond
	// slack is the greatest difference between the timestamps of two processes for one datagram. One of them may have
	// been interrupted in between.
	slack = 20 * time.Millisecond
)

// lateness records how much longer than asked each opening of this run was, and how far its recorded length was from
// the board's. The lateness of the machine itself is subtracted.
var lateness struct {
	sync.Mutex
	all, measured []time.Duration
	machine       func() time.Duration // set once, by TestMain
}

func requireInterval(t testing.TB, want time.Duration, o opening) {
	t.Helper()
	require.GreaterOrEqual(t, o.length(), want-shortBy, "the opening is too short")
	require.LessOrEqual(t, o.length(), want+longBy, "the opening is too long")
	lateness.Lock()
	defer lateness.Unlock()
	lateness.all = append(lateness.all, o.length()-want-lateness.machine())
}

// requireMeasured checks the length of an opening in ms that the daemon recorded against the board's own clock.
func requireMeasured(t testing.TB, measured float64, o opening) {
	t.Helper()
	off := (time.Duration(measured*1000)*time.Microsecond - o.length()).Abs()
	require.LessOrEqual(t, off, longBy, "recorded %v ms, board %v", measured, o.length())
	lateness.Lock()
	defer lateness.Unlock()
	lateness.measured = append(lateness.measured, off-lateness.machine())
}

// medianLateness returns the median lateness of all openings so far, and the median error of their recorded lengths; 0
// if there were none.
func medianLateness() (late, off time.Duration) {
	lateness.Lock()
	defer lateness.Unlock()
	return median(lateness.all), median(lateness.measured)
}

func median(all []time.Duration) time.Duration {
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// soon is the bound of what has to happen at once: atOnce, and what this machine was late by since the test bed began.
func (r *testBed) soon() time.Duration { return atOnce + r.late() }

// requireAfter checks that a happened at least d after b.
func requireAfter(t testing.TB, a, b time.Time, d time.Duration, what string) {
	t.Helper()
	require.GreaterOrEqual(t, a.Sub(b), d-slack, what)
}

// heldAnswered is the near end of an arrived call. It answers, holds, receives the BYE and answers it after that time.
func heldAnswered(after time.Duration) step {
	return join(offered(50*time.Millisecond), answers(), pause(50*time.Millisecond), holds(1), cleared(after))
}

// TestScenariosWithoutDaemon runs the scenarios against one another, without a daemon.
func TestScenariosWithoutDaemon(t *testing.T) {
	need(t, "sipp")
	for name, pair := range map[string][2]step{
		"held": {heldAnswered(0), join(calls(boxOffice), connected(1), held(), pause(50*time.Millisecond),
			clears(2))},
		"rejected": {join(offered(0), rejects(486, "Busy Here")), join(calls(boxOffice), rejected(boxOffice, 486, 1))},
		"register": {registrar(), registers(password, 200)},
		"wrong":    {registrar(), registers("wrong", 403)},
		"near end": {join(offered(0), answers(), clears(1)), join(calls(boxOffice), connected(1), cleared(0))},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			first := freePorts(t, 30)
			r := &testBed{t: t, dir: t.TempDir()}
			t.Cleanup(func() {
				for _, p := range r.parties {
					p.Kill()
				}
			})
			waits := r.sipp("waits", boxOffice, first, 0, pair[0])
			r.sipp("calls", boxOffice, first+2, first, pair[1]).ok()
			waits.ok()
		})
	}
}

// The main job: a held call clears, whoever called, with registrations on both sides.

func TestArrivedCallHeldFarEndClears(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true, register: true}}})
	// SIPp's registrar did not run when the daemon started, so this tests the repetition too.
	contact := r.sipp("registrar", boxOffice, r.far, 0, registrar()).ok().got("REGISTER", "").header("Contact")
	// A caller of a registered line uses the line's contact.
	user, _, _ := strings.Cut(strings.TrimPrefix(contact, "<sip:"), "@")
	r.adapter(boxOffice, registers(password, 200)).ok()
	near := r.adapterWaits(boxOffice, heldAnswered(200*time.Millisecond))
	far := r.farCalls(calls(user), connected(1), held(), pause(100*time.Millisecond), clears(2)).ok()
	near.ok()
	o := r.board.once(t, 0)
	requireInterval(t, usual, o)
	requireAfter(t, o.begin, near.got("BYE", "BYE").at, 200*time.Millisecond,
		"opened before the adapter's leg was cleared")
	require.Less(t, o.begin.Sub(near.gave("SIP/2.0 200", "BYE").at), r.soon(), "opened late")
	require.Less(t, far.got("SIP/2.0 200", "BYE").at.Sub(far.gave("BYE", "BYE").at), r.soon(),
		"the far end's BYE is answered at once")
}

func TestRequestedCallHeldFarEndClears(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true}}})
	r.adapter(boxOffice, registers(password, 200)).ok()
	far := r.farWaits(offered(50*time.Millisecond), answers(), held(), pause(100*time.Millisecond), clears(1))
	near := r.adapter(boxOffice, callsChallenged("555-0101"), connected(2), pause(50*time.Millisecond), holds(3),
		cleared(200*time.Millisecond)).ok()
	far.ok()
	o := r.board.once(t, 0)
	requireInterval(t, usual, o)
	requireAfter(t, o.begin, near.got("BYE", "BYE").at, 200*time.Millisecond,
		"opened before the adapter's leg was cleared")
}

// TestOverTCP tests the same over TCP on both sides. The daemon connects to waiting parties, and answers on the
// connection that a call came by.
func TestOverTCP(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{tcp: true, lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond,
		policy: ", guard_time: 100ms, onhook_recognition: 300ms"}}})
	near := r.adapterWaits(boxOffice, heldAnswered(0))
	r.farCalls(calls(boxOffice), connected(1), held(), pause(100*time.Millisecond), clears(2)).ok()
	near.ok()
	requireInterval(t, 300*time.Millisecond, r.board.once(t, 0))
	far := r.farWaits(offered(0), answers(), held(), pause(100*time.Millisecond), clears(1))
	r.adapter(boxOffice, callsChallenged("555-0101"), connected(2), holds(3), cleared(0)).ok()
	far.ok()
	eventually(t, 5*time.Second, "the second interruption is over", func() bool {
		all := r.board.openings(t, 0)
		return len(all) == 2 && !all[1].end.IsZero()
	})
}
