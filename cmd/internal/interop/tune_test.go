//go:build linux

package interop

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// cardRelease is the release time of the line card that the test plays: how long the current must be off before the
// card releases its hold. It is short, so that the session is short.
const cardRelease = 330 * time.Millisecond

// openingTook finds the lengths of the openings in the daemon's log, as the daemon measured them.
var openingTook = regexp.MustCompile(`loop-closed seq=\d+ took=(\S+?s)\b`)

// operator plays the person at `clearback tune` while the port receives its first calls, until the command asks nothing
// more or stop returns true. The lamp goes out if the opening was long enough by the daemon's own measure, which the
// session goes by. By the board's clock, or by the length asked for, a busy machine would make this card an unreliable
// one.
func (r *testBed) operator(d *dialogue, p *party, stop func(question string) bool) (holds int) {
	r.t.Helper()
	openings := len(r.board.openings(r.t, 0))
	for {
		text, ok := d.next()
		switch {
		case !ok || stop != nil && stop(text):
			return holds
		case strings.Contains(text, "Press the hold key"):
			holds++
			eventually(r.t, 5*time.Second, "the call is held", func() bool {
				return len(p.find(true, "ACK",
					"ACK")) == holds
			})
			d.answer("")
		case strings.Contains(text, "Did the lamp go out"):
			now := r.board.openings(r.t, 0)
			var took time.Duration
			if all := openingTook.FindAllStringSubmatch(r.d.Output(), -1); len(all) > 0 {
				var err error
				took, err = time.ParseDuration(all[len(all)-1][1])
				require.NoError(r.t, err)
			}
			if len(now) > openings && took >= cardRelease {
				d.answer("y")
			} else {
				d.answer("n")
			}
			openings = len(now)
		case strings.Contains(text, "ring after the opening"), strings.Contains(text, "still held"),
			// A board that got no processor in time was taken for one that does not answer.
			strings.Contains(text, "still lit"):
			d.answer("")
		}
	}
}

// TestTune runs a session with SIPp as adapter, the board's clock for the card, and this test for the person. The
// result is written into the file, with its comments kept, and comes into use, while another line has a call.
func TestTune(t *testing.T) {
	if testing.Short() {
		t.Skip("takes ten holds")
	}
	t.Parallel()
	need(t, "sqlite3")
	r := newTestBed(t, setup{record: true, lines: []lineSetup{
		{name: boxOffice, interval: 300 * time.Millisecond,
			policy: ", guard_time: 100ms, onhook_recognition: 650ms, max_interval: 850ms", more: unwatched},
		{name: stageDoor, coil: 1, interval: 300 * time.Millisecond, policy: quickPolicy, more: unwatched}}})
	p := r.startPort(boxOffice, "Footlight 1.0")
	d := r.talk("tune", boxOffice, "--holds", "10")
	n := r.operator(d, p, nil)
	end := d.ended()
	require.Zero(t, end.code, end.out+end.err)
	tried := r.board.openings(t, 0)
	for _, o := range tried {
		require.GreaterOrEqual(t, o.length(), 250*time.Millisecond-shortBy, "pulse dialling may be on")
	}
	require.Less(t, len(tried), n, "some were catch trials")
	for _, c := range r.calls() {
		require.True(t, c.Trial, "%+v", c)
	}

	eventually(t, 5*time.Second, "the trials are recorded",
		func() bool { return r.sqliteNumber("SELECT count(*) FROM trials") == n })

	was, err := os.ReadFile(r.config())
	require.NoError(t, err)
	near := r.adapterWaits(stageDoor, offered(0), answers(), holds(1), cleared(0))
	far := r.sipp("far-b", "555-0102", r.far+1, r.servicePort, calls(stageDoor), connected(1), held(),
		cued(), clears(2))
	far.got("ACK", "2 ACK")
	text := r.mustRun("tune", boxOffice, "--holds", "10", "--resume", "--write")
	now, err := os.ReadFile(r.config())
	require.NoError(t, err)
	found := regexp.MustCompile(`interval: (\d+)ms`).FindStringSubmatch(string(now))
	require.Len(t, found, 2, text)
	interval, err := time.ParseDuration(found[1] + "ms")
	require.NoError(t, err)
	require.Greater(t, interval, cardRelease, "an interval that this card takes")
	t.Logf("%d holds; recommended %v", n, interval)
	release := regexp.MustCompile(`    equipment:\n      card_release: (\d+)ms\n`).FindStringSubmatch(string(now))
	require.Len(t, release, 2, text)
	measured, err := time.ParseDuration(release[1] + "ms")
	require.NoError(t, err)
	require.Less(t, measured, interval, "the window allows what is recommended")
	expected := strings.Replace(string(was), "interval: 300ms", "interval: "+found[1]+"ms", 1)
	require.Equal(t, expected, strings.Replace(string(now), release[0], "", 1), "and nothing else is changed")
	l := r.line(boxOffice)
	require.EqualValues(t, interval.Milliseconds(), l.Interval.Milliseconds)
	require.EqualValues(t, interval.Milliseconds(), l.Interval.Configured)
	other := r.line(stageDoor)
	require.Len(t, other.Calls, 1, "the other line talks on")
	require.Equal(t, "answered", other.Calls[0].State)
	require.Empty(t, near.find(false, "BYE", "BYE"))

	r.farCalls(talked()).ok()
	eventually(t, 5*time.Second, "a clearing in service", func() bool {
		all := r.board.openings(t, 0)
		return len(all) == len(tried)+1 && !all[len(tried)].end.IsZero()
	})
	requireInterval(t, interval, r.board.openings(t, 0)[len(tried)])
	far.cue()
	near.ok()
	far.ok()
	requireInterval(t, 300*time.Millisecond, r.board.once(t, 1))
}

// TestTuneIsEndedByACall: an ordinary call from the adapter is refused and ends the session. An emergency call ends it
// and passes.
func TestTuneIsEndedByACall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice, policy: quickPolicy,
		interval: 300 * time.Millisecond, more: unwatched}}})
	p := r.startPort(boxOffice, "Footlight 1.0")
	asks := func(question string) bool { return strings.Contains(question, "Press the hold key") }

	d := r.talk("tune", boxOffice)
	r.operator(d, p, asks)
	require.True(t, r.line(boxOffice).Tuning)
	far := r.farWaits(offered(0)) // the call must not reach it
	r.sipp("dialled", boxOffice, r.adapters[boxOffice]+1, r.adapterPort, callsChallenged("555-0155"),
		rejected("555-0155", 486, 2)).ok()
	d.answer("")
	end := d.ended()
	require.Equal(t, 1, end.code)
	require.Contains(t, end.err, "555-0155")
	require.Empty(t, far.messages())
	far.Kill()
	r.awaitLine(boxOffice, "the session is over", func(l lineSeen) bool {
		return !l.Tuning && len(l.Calls) == 0 &&
			l.Loop == "closed"
	})

	d = r.talk("tune", boxOffice)
	r.operator(d, p, asks)
	before := len(r.board.openings(t, 0))
	centre := r.farWaits(offered(0), answers(), cleared(0))
	help := r.sipp("help", boxOffice, r.adapters[boxOffice]+1, r.adapterPort, emergencyCall(cued()))
	centre.got("ACK", "ACK")
	asked := help.find(true, "INVITE", "")
	require.Less(t, centre.got("INVITE", "INVITE").at.Sub(asked[len(asked)-1].at), r.soon(), "nothing holds it up")
	d.answer("")
	end = d.ended()
	require.Equal(t, 1, end.code)
	require.Contains(t, end.err, "999")
	require.Len(t, r.board.openings(t, 0), before, "nothing opens in an emergency call")
	help.cue()
	help.ok()
	centre.ok()
}
