package testcall

import (
	"context"
	"net"
	"net/netip"
	"strconv"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/loopbacktest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func num(n int) string { return strconv.Itoa(n) }

// fakeLine stands in for the line and its user agent when SIPp is the other side of the call. It accepts every trial
// and reports it as made.
type fakeLine struct {
	at   netip.AddrPort
	tell func(callrecord.Entry)
}

func (l *fakeLine) Follow(f func(callrecord.Entry)) func() { l.tell = f; return func() {} }

func (l *fakeLine) Post(ev supervision.Event) {
	l.tell(callrecord.Entry{Event: ev})
	if ev.Kind != supervision.TrialSet {
		return
	}
	l.tell(callrecord.Entry{Event: supervision.Event{Kind: supervision.FarEndCleared, Call: ev.Call}})
	l.tell(callrecord.Entry{Effect: supervision.Effect{Kind: supervision.Report, Report: supervision.ReportInterrupted,
		Call: ev.Call, Trial: true}})
}

func (l *fakeLine) View() supervision.View { return supervision.View{} }

func (l *fakeLine) BlockOutbound(func(string, bool)) func() { return func() {} }

func (l *fakeLine) Inbound() (sip.Uri, netip.AddrPort, string) {
	return sip.Uri{Scheme: "sip", User: "secret", Host: l.at.Addr().String(), Port: int(l.at.Port())}, l.at, "UDP"
}

// calls begins a session with SIPp and reports to the session which call is its own, as the user agent would.
func calls(t *testing.T, at netip.AddrPort) *Session {
	t.Helper()
	l := &fakeLine{at: at}
	s, err := Begin(Options{Name: "box-office", Line: l, Port: l, Bind: loopback})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	known := make(chan struct{}) // closed when the call has been reported
	go func() {
		defer close(known)
		id := ""
		if s.await(ctx, func() bool {
			if s.call != nil {
				id = s.call.callID
			}
			return id != "" && s.call.state == up
		}) == nil {
			s.CallInfo(callrecord.CallInfo{Line: "box-office", Call: 9, Party: callrecord.Party{CallID: "another"}})
			s.CallInfo(callrecord.CallInfo{Line: "workshop", Call: 8, Party: callrecord.Party{CallID: id}})
			s.mu.Lock()
			if s.call.id != 0 {
				t.Error("another call was taken for its own")
			}
			s.mu.Unlock()
			s.CallInfo(callrecord.CallInfo{Line: "box-office", Call: 7, Party: callrecord.Party{CallID: id}})
		}
	}()
	t.Cleanup(func() { cancel(); <-known; require.NoError(t, s.End()) })
	return s
}

// SIPp takes the line's place: INVITE, 180, 200, ACK, the tone in both laws, BYE.
func TestCallAnsweredBySIPp(t *testing.T) {
	for name, kind := range map[string]uint8{"PCMU": pcmu, "PCMA": pcma} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			hears := newSink(t)
			line := loopbacktest.StartSIPp(t, "answering.xml", "-key", "sink",
				num(hears.LocalAddr().(*net.UDPAddr).Port), "-key", "kind", num(int(kind)))
			s := calls(t, line.At())
			call, err := s.Ring(t.Context())
			require.NoError(t, err)
			require.EqualValues(t, 7, call)
			all, _ := hears.packets(t, 25)
			isTone(t, all, kind)
			r, err := s.Clear(t.Context(), 0, false)
			require.NoError(t, err)
			require.Equal(t, Result{Call: 7}, r)
			s.tone.mu.Lock()
			require.False(t, s.tone.to.IsValid(), "silence")
			s.tone.mu.Unlock()
			line.Await()
		})
	}
}

func TestBusyBySIPp(t *testing.T) {
	t.Parallel()
	line := loopbacktest.StartSIPp(t, "busy.xml")
	_, err := calls(t, line.At()).Ring(t.Context())
	require.ErrorIs(t, err, ErrNotAnswered)
	require.ErrorContains(t, err, "busy")
	line.Await()
}

func TestGivenUpWithSIPp(t *testing.T) {
	t.Parallel()
	line := loopbacktest.StartSIPp(t, "cancelled.xml")
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	_, err := calls(t, line.At()).Ring(ctx)
	require.ErrorIs(t, err, ErrNotAnswered)
	line.Await()
}
