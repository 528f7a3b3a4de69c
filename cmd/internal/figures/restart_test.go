//go:build linux

package figures

import (
	"fmt"
	"net/netip"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// restartCalls is the number of answered calls, on as many of the 100 lines, when the daemon is killed.
const restartCalls = 50

// TestRestart kills the daemon (SIGKILL) with 100 lines and 50 answered calls that relay media, and starts it again at
// once, so that a service manager's own time is not in the figures. It serves when both its sockets answer, each call's
// OPTIONS is answered, and an emergency call from another line reaches the service. Limits: 300 ms until then (on a
// slow machine: see atMostAsFast); no end of a call hears nothing for more than 500 ms. Each message is repeated every
// 10 ms. An adapter repeats its INVITE only after 500 ms (T1, RFC 3261 section 17.1.1.1), so a call that begins while
// the daemon is down takes that long.
func TestRestart(t *testing.T) {
	skipUnlessFigures(t)
	h := newTestBedOf(t, testBedSetup{lines: 100, media: true, journal: true, control: socketInMemory(t)})
	var serving, emergency, gaps, bare samples
	w := newWatch(t, h.talk.pid())
	for n := range count(10, 3) {
		h.callsUp(restartCalls)
		settle(1)
		h.talk.gaps(t)
		bare = append(bare, bareStart(t))
		pause()
		questions := h.questions(restartCalls, n)
		began := time.Now()
		h.daemon.Signal(syscall.SIGKILL)
		<-h.daemon.Done()
		var last, help time.Time
		var asking sync.WaitGroup
		asking.Go(func() { last, help = h.ask(questions) })
		h.start()
		asking.Wait()
		serving, emergency = append(serving, last.Sub(began)), append(emergency, help.Sub(began))
		settle(1)
		gaps = append(gaps, h.talk.gaps(t)...)
		for line := range restartCalls {
			h.clear(line)
		}
		h.allClosed()
	}
	v := w.verdict()
	t.Logf("from SIGKILL to serving, 100 lines, %d calls: %v", restartCalls, serving)
	t.Logf("the longest gap in each direction of each call: %v", gaps)
	t.Logf("from SIGKILL until an emergency INVITE passes: %v", emergency)
	t.Logf("from the start to READY=1, the last time: %v", h.ready)
	require.Len(t, gaps, len(serving)*2*restartCalls)
	v.add(figure{name: "SIGKILL to serving, 100 lines and 50 calls, longest", value: ms(serving.quantile(100)),
		unit: "ms", baseline: baseline{bareStarts, ms(bare.quantile(100))}, bound: atMostAsFast(300)})
	v.add(figure{name: "audio gap of these calls, longest", value: ms(gaps.quantile(100)), unit: "ms", bound: atMost(500)})
	v.addBoth("SIGKILL to an emergency INVITE that passes", emergency, bareStarts, bare, atMostAsFast(300))
}

// question is a request that is repeated until it is answered, or passed on.
type question struct {
	from *party
	to   netip.AddrPort
	text []byte
}

// questions returns one question to each socket of the daemon, one in each of the first n lines' calls, and an
// emergency call of the line after these. The key is the id of the reply. No two rounds share a Call-ID.
func (h *testBed) questions(n, round int) map[string]question {
	adapterSide := netip.AddrPortFrom(h.addr(1), 5060)
	help := fmt.Sprintf("help-round-%d", round)
	all := map[string]question{emergencyReply: {h.x.near, adapterSide, h.emergencyInvite(n, help)}}
	add := func(from *party, to netip.AddrPort, c call) {
		all[c.id] = question{from, to, h.x.request("OPTIONS", 0, c, 2, "")}
	}
	for _, to := range []netip.AddrPort{adapterSide, h.x.daemon} {
		from := h.x.far
		if to == adapterSide {
			from = h.x.near
		}
		target := fmt.Sprintf("sip:%v", to)
		add(from, to, call{id: fmt.Sprintf("ask-%v-%d", to, round), target: target, to: "<" + target + ">"})
	}
	h.x.mu.Lock()
	defer h.x.mu.Unlock()
	for line := range n {
		add(h.x.far, h.x.daemon, h.x.calls[line])
	}
	return all
}

// ask sends questions every 10 ms until they are all answered. It returns when the last answer came, and when the
// emergency call reached the service.
func (h *testBed) ask(all map[string]question) (last, help time.Time) {
	h.t.Helper()
	every := time.NewTicker(10 * time.Millisecond)
	defer every.Stop()
	for limit := time.After(testTimeout); len(all) > 0; {
		select {
		case r := <-h.x.replies:
			if _, ok := all[r.id]; ok {
				delete(all, r.id)
				if last = r.at; r.id == emergencyReply {
					help = r.at
				}
			}
		case <-every.C:
			for _, q := range all {
				q.from.send(q.text, q.to)
			}
		case <-limit:
			h.t.Errorf("%d questions are not answered: %s", len(all), h.log())
			return time.Now(), time.Now()
		}
	}
	return last, help
}
