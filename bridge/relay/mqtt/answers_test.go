package mqtt

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
)

// TestWhatAStateAnswers checks the result of a state for each request, with and without an opening, and invalid states.
func TestWhatAStateAnswers(t *testing.T) {
	const open, shut = relay.LevelOpen, relay.LevelClosed
	flows, none := true, false
	done := func(change func(*State)) State {
		s := State{Result: ResultDone, Token: "a"}
		change(&s)
		return s
	}
	isOpen := func(s *State) { s.Open = true }
	for _, c := range []struct {
		s     State
		op    controller.Op
		level relay.Level
		says  string
		no    bool // a refusal
		sure  bool
	}{
		{s: done(func(*State) {}), op: controller.Read, level: shut},
		{s: done(isOpen), op: controller.Read, level: open}, {s: done(isOpen), op: controller.Open, level: open},
		{s: done(func(*State) {}), op: controller.Close, level: shut},
		{s: done(func(*State) {}), op: controller.Try, level: shut},
		{s: done(isOpen), op: controller.Close, says: "open after a close", no: true},
		{s: done(isOpen), op: controller.Try, says: "open after a close", no: true},
		{s: done(func(s *State) { s.Current = &flows }), op: controller.Sense, level: shut},
		{s: done(func(s *State) { s.Current = &none }), op: controller.Sense, level: open},
		{s: done(func(s *State) { s.Open, s.Current = true, &flows }), op: controller.Sense, level: shut},
		{s: done(func(*State) {}), op: controller.Sense, says: "no loop-current input", no: true, sure: true},
		{s: done(func(s *State) { s.Token = "" }), op: controller.Read, says: "it has no token"},
		{s: State{Result: "maybe", Token: "a"}, op: controller.Read, says: `result "maybe"`},
		{s: State{Result: ResultRefused, Why: "too long"}, op: controller.Open, says: "refused: too long", no: true,
			sure: true},
		{s: State{Result: ResultFailed, Why: "stuck"}, op: controller.Open, says: "failed: stuck", no: true},
	} {
		level, err := c.s.level(c.op)
		require.Equal(t, c.level, level)
		if c.says == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, c.says)
		no := (*controller.Refusal)(nil)
		require.Equal(t, c.no, errors.As(err, &no))
		if c.no {
			require.Equal(t, c.sure, no.Sure)
		}
	}
}

// TestWhatWasNotTaken checks that an opening that was not delivered counts as not made, and that the effect of such a
// close is unknown.
func TestWhatWasNotTaken(t *testing.T) {
	for err, want := range map[error]error{broker.ErrNoSubscriber: ErrOffline,
		broker.ErrUnwritten: relay.ErrUnreachable,
		broker.ErrDenied:    broker.ErrDenied, errors.New("else"): nil} {
		given := fmt.Errorf("publishing: %w", err)
		for _, op := range []controller.Op{controller.Open, controller.Try, controller.Close, controller.Read} {
			got := publishError(op, given)
			no := (*controller.Refusal)(nil)
			if want == nil {
				require.Equal(t, given, got)
				continue
			}
			require.ErrorIs(t, got, want)
			require.ErrorIs(t, got, err)
			require.Equal(t, op == controller.Open || op == controller.Try, errors.As(got, &no))
			require.True(t, no == nil || no.Sure)
		}
	}
}

// TestPayloads checks that only a pulse contains its length, even 0, and the latest token.
func TestPayloads(t *testing.T) {
	d := &contractDevice{from: "me", token: "abc", waiting: map[uint32]chan State{}}
	for i, c := range []struct {
		op   controller.Op
		d    time.Duration
		want string
	}{
		{controller.Open, 800 * time.Millisecond, `{"from":"me","seq":1,"token":"abc","ms":800}`},
		{controller.Try, 0, `{"from":"me","seq":2,"token":"abc","ms":0}`},
		{controller.Close, time.Second, `{"from":"me","seq":3}`}, {controller.Read, 0, `{"from":"me","seq":4}`},
	} {
		k, _ := d.command(controller.Request{Op: c.op, Duration: c.d})
		text, err := k.payload(c.op)
		require.NoError(t, err)
		require.JSONEq(t, c.want, string(text))
		require.Len(t, d.waiting, i+1)
	}
	d.forget(2)
	require.NotContains(t, d.waiting, uint32(2))
	p := &Plain{Timed: &Timed{Message: Message{Topic: "a/{ms}", Payload: "{s}"}}}
	for d, want := range map[time.Duration]Message{800 * time.Millisecond: {"a/800", "0.8"},
		2 * time.Second: {"a/2000", "2"}} {
		require.Equal(t, want, *p.opening(d))
	}
	p = &Plain{Open: &Message{Topic: "a", Payload: "{ms}"}}
	require.Equal(t, Message{"a", "{ms}"}, *p.opening(time.Second))
}

// TestReadingOfATopic checks that each value gives one of two states, that other values and invalid JSON leave the
// state unknown, and that other topics have no effect.
func TestReadingOfATopic(t *testing.T) {
	v := &Value{Topic: "state", Pointer: "/relay", Open: []string{"on", "1"}, Closed: []string{"off"}}
	var r reading
	say := func(topic, text string) reading {
		r.take(v, broker.Publication{Topic: topic, Payload: []byte(text)})
		return r
	}
	require.Equal(t, reading{level: relay.LevelOpen, opens: 1}, say("state", `{"relay":"on"}`))
	require.Equal(t, reading{level: relay.LevelOpen, opens: 2}, say("state", `{"relay":1}`))
	require.Equal(t, reading{level: relay.LevelOpen, opens: 2}, say("other", `{"relay":"off"}`))
	require.Equal(t, reading{level: relay.LevelClosed, opens: 2}, say("state", `{"relay":"off"}`))
	for _, text := range []string{`{"relay":"blue"}`, `{}`, `x`} {
		got := say("state", text)
		require.ErrorIs(t, got.err, ErrState)
		require.Equal(t, relay.LevelUnknown, got.level)
		require.EqualValues(t, 2, got.opens)
	}
	require.Equal(t, reading{level: relay.LevelClosed, opens: 2}, say("state", `{"relay":"off"}`),
		"and it counts again")
	r.take(nil, broker.Publication{Topic: "state", Payload: []byte(`{"relay":"on"}`)})
	require.Equal(t, relay.LevelClosed, r.level)
	d := &plainDevice{opt: &Plain{State: v, Sense: &Value{Topic: "state"}, Available: &Availability{Topic: "lwt"}}}
	require.Equal(t, []broker.Subscription{{Topic: "state"}, {Topic: "lwt"}}, d.topics(), "each once")
	require.NoError(t, (&plainDevice{opt: &Plain{}}).await(t.Context(), nil), "the broker's acknowledgement is enough")
}

// TestAvailability checks that any message that does not say that the device is connected ends the connection, and that
// other topics have no effect.
func TestAvailability(t *testing.T) {
	a := &Availability{Topic: "lwt", Pointer: "/is", Online: []string{"up"}, Offline: []string{"down"}}
	for text, want := range map[string]error{
		`{"is":"up"}`: nil, `{"is":"down"}`: ErrOffline, `{"is":"blue"}`: ErrState, `{}`: ErrState, `up`: ErrState,
		``: ErrState,
	} {
		require.ErrorIs(t, a.check(broker.Publication{Topic: "lwt", Payload: []byte(text)}), want, text)
		require.NoError(t, a.check(broker.Publication{Topic: "state", Payload: []byte(text)}))
		require.NoError(t, (*Availability)(nil).check(broker.Publication{Topic: "lwt", Payload: []byte(text)}))
	}
}
