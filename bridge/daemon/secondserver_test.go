package daemon

import (
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/supervision"
)

// ongoingTest is a test of the second server of the line box-office.
type ongoingTest struct {
	t     *testing.T
	h     *backend
	leave context.CancelFunc
	end   chan control.SecondServerTest // one result
}

func testSecondServer(t *testing.T, h *backend) *ongoingTest {
	t.Helper()
	ctx, leave := context.WithCancel(t.Context())
	o := &ongoingTest{t, h, leave, make(chan control.SecondServerTest, 1)}
	go func() {
		is, err := h.TestSecondServer(ctx, "box-office")
		if err != nil {
			t.Error(err)
		}
		o.end <- is
	}()
	o.await(func(is *control.SecondServerTest) bool { return true })
	return o
}

// await waits until the state of the test is as wanted.
func (o *ongoingTest) await(is func(*control.SecondServerTest) bool) {
	o.t.Helper()
	require.Eventually(o.t, func() bool {
		s := o.h.Daemon().Lines[0].SecondServer
		return s != nil && s.Test != nil && is(s.Test)
	}, 5*time.Second, time.Millisecond)
}

func secondServer(h *backend) control.SecondServer {
	if s := h.Daemon().Lines[0].SecondServer; s != nil {
		return *s
	}
	return control.SecondServer{}
}

// The person's answer ends the test. The result outlives a restart.
func TestSecondServerTest(t *testing.T) {
	c, p := stage(t)
	d, logs := startTestDaemon(t, c)
	h := d.backend
	require.Nil(t, h.Daemon().Lines[0].SecondServer, "never tested")
	require.Equal(t, control.ReasonRefused, reason(h.SecondServerTested("box-office", true)), "no test")

	o := testSecondServer(t, h)
	at := d.AdapterAddr("box-office").String()
	p.Send(at, "OPTIONS", 1, "<sip:box-office@"+at+">")
	o.await(func(is *control.SecondServerTest) bool {
		return is.Unanswered == 1 && time.Until(is.Until) > 4*time.Minute
	})
	_, err := h.TestSecondServer(t.Context(), "box-office")
	require.Equal(t, control.ReasonBusy, reason(err))
	_, err = h.Pulse(t.Context(), "box-office", 0)
	require.Equal(t, control.ReasonBusy, reason(err), "an opening by hand")
	require.Equal(t, control.ReasonBusy, reason(h.BeginTrials("box-office")))
	require.NoError(t, h.SecondServerTested("box-office", true))
	is := <-o.end
	require.Equal(t, "answered", is.Ended)
	require.Equal(t, 1, is.Unanswered)
	require.Equal(t, control.ReasonRefused, reason(h.SecondServerTested("box-office", false)), "it is over")
	passed := secondServer(h)
	require.WithinDuration(t, time.Now(), passed.Passed, 5*time.Second)
	require.Equal(t, control.SecondServer{Passed: passed.Passed}, passed)

	o = testSecondServer(t, h)
	require.NoError(t, h.SecondServerTested("box-office", false))
	<-o.end
	o = testSecondServer(t, h)
	o.leave() // no answer
	require.Equal(t, "stopped", (<-o.end).Ended)
	failed := secondServer(h)
	require.Equal(t, control.SecondServer{Passed: passed.Passed, Failed: failed.Failed, TestAgain: "failed"}, failed)
	short, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	over, err := h.TestSecondServer(short, "box-office")
	require.NoError(t, err)
	require.Equal(t, "time", over.Ended)
	k := d.Line("box-office")
	k.mu.Lock()
	k.secondTest = &secondServerTest{} // as just after a call has ended the silence
	k.mu.Unlock()
	require.Equal(t, control.ReasonRefused, reason(h.SecondServerTested("box-office", true)))
	require.Equal(t, failed, secondServer(h), "nothing is recorded")
	require.Zero(t, logs.FilterMessageSnippet("has to be tested again").Len())
	d.Shutdown(context.Background())

	d, logs = startTestDaemon(t, c)
	got := secondServer(d.backend)
	require.Equal(t, "failed", got.TestAgain)
	require.WithinDuration(t, failed.Failed, got.Failed, time.Millisecond)
	require.Equal(t, 1, logs.FilterMessageSnippet("has to be tested again").Len())
}

// A call that still came here is no result: a stranger may have made it, and a sound adapter may not have noticed yet.
func TestSecondServerTestOfAnAdapterThatStays(t *testing.T) {
	c, _ := stage(t)
	c.SIP.AdapterSide.Transports = []string{"tcp"}
	d, _ := startTestDaemon(t, c)
	o := testSecondServer(t, d.backend)
	at := d.AdapterAddr("box-office").String()
	conn, err := net.Dial("tcp", at)
	require.NoError(t, err)
	defer conn.Close()
	_, err = conn.Write([]byte(strings.ReplaceAll("INVITE sip:555-0151@"+at+` SIP/2.0
Via: SIP/2.0/TCP 127.0.0.1:5060;branch=z9hG4bKmatinee
From: <sip:box-office@`+at+`>;tag=port
To: <sip:555-0151@`+at+`>
Call-ID: matinee
CSeq: 1 INVITE
Max-Forwards: 70
Contact: <sip:box-office@127.0.0.1:5060;transport=tcp>
Content-Length: 0

`, "\n", "\r\n")))
	require.NoError(t, err)
	require.Equal(t, "still-called", (<-o.end).Ended)
	require.Zero(t, secondServer(d.backend))
}

// A line in use is not silenced (SAFETY.md S120), and a daemon that ends ends the test.
func TestSecondServerTestRefused(t *testing.T) {
	c, _ := stage(t)
	c.Lines[0].Policy.ProbeTrusted = true // so that the opening below is checked
	d, logs := startTestDaemon(t, c)
	h, k := d.backend, d.Line("box-office")
	gone, leave := context.WithCancel(t.Context()) // of a client that has gone, so that a test that begins ends at once
	leave()
	refused := func(words string) {
		t.Helper()
		_, err := h.TestSecondServer(gone, "box-office")
		require.ErrorContains(t, err, words)
		require.Equal(t, control.ReasonRefused, reason(err))
		require.Nil(t, h.Daemon().Lines[0].SecondServer)
	}
	_, err := h.TestSecondServer(t.Context(), "trapdoor")
	require.Equal(t, control.ReasonNoLine, reason(err))
	require.Equal(t, control.ReasonNoLine, reason(h.SecondServerTested("trapdoor", true)))
	require.NoError(t, k.beginPulse())
	refused("loop")
	k.endPulse()
	require.NoError(t, d.contacts.Ready(t.Context()))
	k.line.Post(supervision.Event{Kind: supervision.PulseRequested, Interval: supervision.IntervalFloor})
	require.Eventually(t, func() bool {
		_, err := h.TestSecondServer(gone, "box-office")
		return err != nil && strings.Contains(err.Error(), "a check of its hook state")
	}, 5*time.Second, time.Millisecond)
	require.Eventually(t, k.line.AtRest, 5*time.Second, time.Millisecond)
	require.NoError(t, h.BeginTrials("box-office"))
	_, err = h.TestSecondServer(t.Context(), "box-office")
	require.Equal(t, control.ReasonBusy, reason(err))
	require.NoError(t, h.EndTrials("box-office"))
	other, stop := context.WithCancel(t.Context()) // another line's test
	var ended sync.WaitGroup
	ended.Go(func() { _, _ = k.SIP().StaySilent(other) })
	require.Eventually(t, func() bool { _, silent := k.SIP().Silence(); return silent }, 5*time.Second,
		time.Millisecond)
	refused("is being tested")
	stop()
	ended.Wait()
	require.Equal(t, 1, logs.FilterMessageSnippet("answers nothing").Len(), "a refused test is no warning")
	o := testSecondServer(t, h)
	d.Shutdown(context.Background())
	require.Equal(t, "stopped", (<-o.end).Ended)

	c, _ = stage(t)
	d, _ = startTestDaemon(t, c)
	h, k = d.backend, d.Line("box-office")
	post := func(kind supervision.EventKind) {
		k.line.Post(supervision.Event{Kind: kind, Call: 71, Emergency: true})
		require.Eventually(t, k.line.AtRest, 5*time.Second, time.Millisecond)
	}
	post(supervision.CallRequested)
	refused("EMERGENCY call 71 is ringing or being made")
	post(supervision.CallAnswered)
	post(supervision.NearEndCleared)
	refused("until " + k.callbackUntil(k.line.View()).Local().Format(time.TimeOnly))
}
