package testcall

import (
	"context"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// newSessionWithAdapter returns a far end that is connected directly to a testAdapter, without a line.
func newSessionWithAdapter(t *testing.T) (*Session, *testAdapter) {
	t.Helper()
	b := newTestAdapter(t, func() []time.Duration { return nil })
	return calls(t, b.peer.At), b
}

// The near end may hold, move its media, and send OPTIONS and INFO within the call, as any adapter does (RFC 3264
// sections 6.1 and 8).
func TestInDialogRequests(t *testing.T) {
	t.Parallel()
	s, b := newSessionWithAdapter(t)
	_, err := s.Ring(t.Context())
	require.NoError(t, err)
	b.awaitRequest("ACK")
	hears := func() bool {
		s.tone.mu.Lock()
		defer s.tone.mu.Unlock()
		return s.tone.to.IsValid()
	}
	require.True(t, hears())

	b.request("INVITE", 1, b.sdp("sendonly"))
	held := b.awaitResponse(1, "INVITE")
	require.Contains(t, held.Start, "200")
	require.Contains(t, held.Body, "a=recvonly")
	require.Contains(t, held.Get("Contact"), "sip:trial@")
	require.False(t, hears())
	b.request("ACK", 1, "")

	moved := newSink(t)
	port := num(moved.LocalAddr().(*net.UDPAddr).Port)
	b.request("INVITE", 2,
		"v=0\r\no=- 1 2 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio "+port+" RTP/AVP 8\r\n")
	back := b.awaitResponse(2, "INVITE")
	require.Contains(t, back.Body, "RTP/AVP 8\r\n")
	require.Contains(t, back.Body, "a=sendrecv")
	version := func(m uatest.Message) string {
		_, o, _ := strings.Cut(m.Body, "o=- ")
		return strings.Fields(o)[1]
	}
	require.NotEqual(t, version(held), version(back), "RFC 3264 section 8")
	b.request("ACK", 2, "")
	all, _ := moved.packets(t, 25)
	isTone(t, all, pcma)

	b.request("INVITE", 3,
		"v=0\r\no=- 1 3 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=image "+port+" udptl t38\r\n")
	require.Contains(t, b.awaitResponse(3, "INVITE").Start, "488")
	b.request("ACK", 3, "")
	require.True(t, hears())
	b.request("INVITE", 4, "")
	require.Contains(t, b.awaitResponse(4, "INVITE").Body, "RTP/AVP 0 8")
	b.request("ACK", 4, b.sdp("sendrecv"))
	for seq, c := range []struct{ method, want string }{{"UPDATE", "200"}, {"INFO", "200"}, {"OPTIONS", "200"},
		{"MESSAGE", "405"}} {
		b.request(c.method, 5+seq, "")
		require.Contains(t, b.awaitResponse(5+seq, c.method).Start, c.want, c.method)
	}
	// a BYE outside the dialog does not end the call, the near end's BYE does
	b.mu.Lock()
	own := b.invite.Get("Call-ID")
	for i, h := range b.invite.Headers {
		b.invite.Headers[i] = strings.Replace(h, own, "another", 1)
	}
	b.mu.Unlock()
	b.request("BYE", 20, "")
	require.Contains(t, b.awaitResponse(20, "BYE").Start, "481")
	require.True(t, hears())
	b.mu.Lock()
	for i, h := range b.invite.Headers {
		b.invite.Headers[i] = strings.Replace(h, "another", own, 1)
	}
	b.mu.Unlock()
	b.request("BYE", 21, "")
	require.Contains(t, b.awaitResponse(21, "BYE").Start, "200")
	require.False(t, hears())
	_, err = s.Clear(t.Context(), 0, false)
	require.ErrorIs(t, err, ErrNearEndHungUp)
}

// A retransmitted 200 is acknowledged again (RFC 3261 section 13.2.2.4).
func TestRepeatedAnswer(t *testing.T) {
	t.Parallel()
	s, b := newSessionWithAdapter(t)
	_, err := s.Ring(t.Context())
	require.NoError(t, err)
	b.awaitRequest("ACK")
	b.mu.Lock()
	b.answerLocked(200)
	b.mu.Unlock()
	b.awaitRequest("ACK")
}

// A near end that answers just as Ring gives up is cleared at once (RFC 3261 section 15.1.1).
func TestAdapterAnswersAsTheRingingEnds(t *testing.T) {
	t.Parallel()
	s, b := newSessionWithAdapter(t)
	b.mu.Lock()
	b.answer, b.answersOnCancel = 0, true
	b.mu.Unlock()
	ctx, cancel := context.WithCancel(t.Context())
	rang := make(chan error, 1) // one result
	go func() { _, err := s.Ring(ctx); rang <- err }()
	b.awaitRequest("INVITE")
	cancel()
	require.ErrorIs(t, <-rang, ErrNotAnswered)
	for _, method := range []string{"CANCEL", "ACK", "BYE"} {
		b.awaitRequest(method)
	}
}

// A call whose answer has no supported codec is not answered.
func TestAnswerWithoutG711(t *testing.T) {
	t.Parallel()
	s, b := newSessionWithAdapter(t)
	b.mu.Lock()
	b.answer = 0
	b.mu.Unlock()
	rang := make(chan error, 1) // one result
	go func() { _, err := s.Ring(t.Context()); rang <- err }()
	b.awaitRequest("INVITE")
	b.mu.Lock()
	b.respond(b.invite, 200, strings.Replace(b.sdp("sendrecv"), "RTP/AVP 0 101", "RTP/AVP 18 101", 1))
	b.mu.Unlock()
	err := <-rang
	require.ErrorIs(t, err, ErrNotAnswered)
	require.ErrorContains(t, err, "PCMU")
	b.awaitRequest("ACK")
	b.awaitRequest("BYE")
}

func TestBegin(t *testing.T) {
	for _, at := range []string{"0.0.0.0", "192.0.2.1"} {
		l := &fakeLine{}
		_, err := Begin(Options{Name: "box-office", Line: l, Port: l, Bind: addr(at)})
		require.ErrorContains(t, err, "box-office")
		require.ErrorContains(t, err, at)
		require.Nil(t, l.tell, "nothing is left behind")
	}
}

func addr(s string) netip.Addr { return netip.MustParseAddr(s) }
