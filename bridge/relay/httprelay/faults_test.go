package httprelay

import (
	"context"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// TestHungContactBlocksItsOwnLineOnly checks that, if the device does not answer requests about one contact, the other
// contact works normally.
func TestHungContactBlocksItsOwnLineOnly(t *testing.T) {
	t.Parallel()
	d := newDevice(t, nil)
	s := subject(t, d, relaytest.Setup{Notify: func(relay.Notice) {}}, Options{}, ContactOptions{})
	s.Start()
	require.NoError(t, s.Ready(t.Context()))
	d.fault(order{"do": "ignore", "path": "/" + relaytest.LineB})
	defer d.Clear()
	late := relaytest.Allowance(t)
	hung := make(chan error, 1) // the test may have failed by then
	ctx, cancel := context.WithTimeout(t.Context(), 2*testTimeout)
	defer cancel()
	go func() { hung <- s.Contacts[1].Close(ctx) }()
	for range 3 {
		begin := time.Now()
		require.Equal(t, relay.Done, pulse(t, s.Contacts[0].(*Contact), 20*time.Millisecond).Outcome)
		require.Less(t, time.Since(begin), s.Timeout+late())
	}
	require.Error(t, <-hung)
}

// TestOpeningThatArrivesLate checks a device that hangs with an opening, and carries it out after the driver has given
// up and closed the contact. On a device without a timer the opening would have no end. The contact is found open and
// closed, and no late answer is taken for another request's.
func TestOpeningThatArrivesLate(t *testing.T) {
	t.Parallel()
	d := newDevice(t, order{"text": true})
	found := make(chan relay.Notice, 100) // far more than the test needs
	c := drive(t, d, Options{Notify: func(n relay.Notice) { found <- n }}, plain)
	d.fault(order{"do": "hold", "on": "opening", "once": true})
	r := pulse(t, c, time.Second)
	require.Equal(t, relay.Unknown, r.Outcome)
	late := relaytest.Allowance(t)
	require.NoError(t, c.Close(t.Context()), "closed in the meantime")
	require.Eventually(t, func() bool { return d.Stalled() == 1 }, 5*time.Second, time.Millisecond)
	require.Zero(t, d.openings())
	d.Release()
	for n := range found {
		if n.Kind == relay.FoundOpen {
			break
		}
	}
	require.Eventually(t, func() bool { return len(d.Changes(0)) == 2 }, 5*time.Second, 5*time.Millisecond)
	all := d.Changes(0)
	require.False(t, all[1].Open)
	require.Less(t, all[1].At-all[0].At, 600*time.Millisecond+late(), "within a poll of 250 ms")
	require.NoError(t, c.Close(t.Context()))
	require.Equal(t, relay.Done, pulse(t, c, 20*time.Millisecond).Outcome)
}

// TestSense checks that loop current flows while the contact is closed, and that an unreadable input does not affect
// anything else.
func TestSense(t *testing.T) {
	t.Parallel()
	d := newDevice(t, nil)
	limit := relaytest.Timeout(testTimeout)
	c := drive(t, d, Options{Timeout: limit}, ContactOptions{Sense: &Read{Request: Request{Path: "/{contact}/current"},
		Pointer: "/loop/current/0",
		Open:    []string{"0"}, Closed: []string{"21.5"}}})
	sense := func(want relay.Level) {
		t.Helper()
		level, err := c.Sense(t.Context())
		require.NoError(t, err)
		require.Equal(t, want, level)
	}
	sense(relay.LevelClosed)
	opened := make(chan struct{})
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() {
		result <- c.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: 5 * time.Second,
			NotAfter: time.Now().Add(time.Minute),
			Opened:   func(time.Time) { close(opened) }})
	}()
	<-opened
	sense(relay.LevelOpen)
	d.fault(order{"do": "ignore", "path": "/current"})
	late := relaytest.Allowance(t)
	begin := time.Now()
	_, err := c.Sense(t.Context())
	require.ErrorContains(t, err, "/current")
	require.Less(t, time.Since(begin), limit+late())
	d.Clear()
	d.fault(order{"do": "refuse", "path": "/current", "status": 503})
	_, err = c.Sense(t.Context())
	require.ErrorContains(t, err, "503")
	require.NoError(t, c.Close(t.Context()))
	require.Equal(t, relay.Done, (<-result).Outcome, "the opening continued during all that")
	d.Clear()
	sense(relay.LevelClosed)

	blind := drive(t, newDevice(t, nil), Options{}, ContactOptions{})
	_, err = blind.Sense(t.Context())
	require.ErrorIs(t, err, relay.ErrNoSense)
}

// TestUnknownStateValue checks that a device whose answer does not give the state of the contact does not become ready,
// and opens nothing.
func TestUnknownStateValue(t *testing.T) {
	t.Parallel()
	d := newDevice(t, nil)
	c := newIdleContact(t, d, Options{}, ContactOptions{
		Timed: &Timed{Request: Request{Path: "/{contact}/pulse", Body: `{"seq":{seq},"ms":{ms}}`,
			Expect: &Expect{Pointer: "/open", Values: []string{"maybe"}}}, Limit: time.Second},
		Close: &Request{Path: "/{contact}/close"},
		Read: &Read{Request: Request{Path: "/{contact}/state"}, Pointer: "/open", Open: []string{"1"},
			Closed: []string{"0"}},
	})
	c.board.Start()
	ctx, cancel := context.WithTimeout(t.Context(), testTimeout)
	defer cancel()
	err := c.board.Ready(ctx)
	require.ErrorIs(t, err, ErrAnswer)
	require.ErrorContains(t, err, `it says "false", which is neither state`)
	require.Equal(t, relay.Refused, pulseWithin(t, c.Contact, 20*time.Millisecond, 50*time.Millisecond).Outcome)
	left := c.board.Shutdown(ctx)
	require.Len(t, left, 1, "and it is not known to be closed at the end")
	require.ErrorIs(t, left[0].Err, ErrAnswer)
}

// TestExpectedAnswer checks that a successful answer without the expected value leaves the outcome unknown.
func TestExpectedAnswer(t *testing.T) {
	t.Parallel()
	d := newDevice(t, order{"chunked": true})
	c := drive(t, d, Options{}, ContactOptions{
		Open:  &Request{Path: "/{contact}?to=open", Expect: &Expect{Pointer: "/open", Values: []string{"yes", "1"}}},
		Close: &Request{Path: "/{contact}?to=close", Expect: &Expect{Pointer: "/open", Values: []string{"false"}}},
	})
	r := pulse(t, c, 20*time.Millisecond)
	require.Equal(t, relay.Unknown, r.Outcome)
	require.ErrorContains(t, r.Err, `its answer says "true"; expected one of ["yes" "1"]`)
	require.NoError(t, c.Close(t.Context()))
	require.Equal(t, relay.KindNone, c.Kind())
	_, err := c.Read(t.Context())
	require.ErrorIs(t, err, relay.ErrNoRead)
}

// TestRefusedList checks that a list of status codes for "nothing done" replaces the default list.
func TestRefusedList(t *testing.T) {
	t.Parallel()
	for status, want := range map[int]relay.Outcome{503: relay.Refused, 422: relay.Unknown} {
		d := newDevice(t, nil)
		c := drive(t, d, Options{}, ContactOptions{
			Open:  &Request{Path: "/{contact}?to=open", Refused: []int{503}, Success: []int{200}},
			Close: &Request{Path: "/{contact}?to=close"},
		})
		d.fault(order{"do": "refuse", "on": "opening", "once": true, "status": status})
		require.Equal(t, want, pulse(t, c, 20*time.Millisecond).Outcome, status)
	}
}
