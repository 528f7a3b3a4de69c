package mqtt

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
)

// TestBoundsAreAllowed checks that each bound of a setting is allowed, and that a value just beyond it is not.
func TestBoundsAreAllowed(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		o  Options
		ok bool
	}{
		{Options{}, true}, {Options{Timeout: 20 * ms}, true}, {Options{Timeout: 20*ms - 1}, false},
		{Options{Timeout: 10_000 * ms}, true}, {Options{Timeout: 10_000*ms + 1}, false},
		{Options{Poll: 10 * ms}, true}, {Options{Poll: 10*ms - 1}, false}, {Options{KeepAlive: time.Second}, true},
		{Options{KeepAlive: time.Second - 1}, false},
		{Options{KeepAlive: time.Minute}, true}, {Options{KeepAlive: time.Minute + time.Second}, false},
		{Options{KeepAlive: 1500 * ms}, false},
		{Options{ClientID: strings.Repeat("a", 23)}, true}, {Options{ClientID: strings.Repeat("a", 24)}, false},
		{Options{ClientID: "09azAZ-_"}, true},
		{Options{ClientID: "a/b"}, false}, {Options{ClientID: "a:b"}, false}, {Options{ClientID: "a@b"}, false},
		{Options{ClientID: "a[b"}, false}, {Options{ClientID: "a`b"}, false}, {Options{ClientID: "a{b"}, false},
		{Options{Password: "x"}, false}, {Options{User: "u", Password: "x"}, true}, {Options{User: "u"}, true},
		{Options{Address: "mqtt://u@broker.example"}, false},
		{Options{Address: "http://broker.example"}, false}, {Options{Address: "mqtt://"}, false},
		{Options{Address: "mqtt:broker.example"}, false}, {Options{Address: "mqtt://broker.example/"}, true},
		{Options{Address: "mqtt://broker.example/x"}, false}, {Options{Address: "mqtt://broker.example?x"}, false},
		{Options{Address: "mqtt://broker.example#x"}, false},
		{Options{ServerName: "x"}, false}, {Options{Address: "mqtts://broker.example", ServerName: "x"}, true},
	} {
		if c.o.Address == "" {
			c.o.Address = "mqtt://broker.example:1883"
		}
		_, err := NewBoard(c.o)
		require.Equal(t, c.ok, err == nil, "%+v: %v", c.o, err)
	}
	b, err := NewBoard(Options{Address: "mqtt://broker.example"})
	require.NoError(t, err)
	require.Equal(t, controller.DefaultPoll, b.opt.Poll) // SAFETY.md S92
	for address, want := range map[string]string{"mqtt://broker.example": "broker.example:1883",
		"mqtts://broker.example": "broker.example:8883", "mqtts://broker.example:7": "broker.example:7"} {
		b, err := broker.New(broker.Options{Address: address, Timeout: time.Second, KeepAlive: time.Second})
		require.NoError(t, err)
		require.Equal(t, want, b.Address())
	}
	for topic, ok := range map[string]bool{
		"": false, "a": true, strings.Repeat("a", 1024): true, strings.Repeat("a", 1025): false, "a/+": false,
		"a/#": false, "a\x1f": false, "a\x20": true, "a\x7e": true, "a\x7f": false,
		"a\u009f": false, "a\u00a0": true, "a\xff": false, "$SYS/a": false, "a/$b": true,
	} {
		require.Equal(t, ok, broker.CheckTopic(topic) == nil, "%q", topic)
	}
}

// TestContactsOfABroker checks the relations between a contact's settings.
func TestContactsOfABroker(t *testing.T) {
	const ms = time.Millisecond
	shut, open := &Message{Topic: "a", Payload: "off"}, &Message{Topic: "a", Payload: "on"}
	timed := func(topic, payload string, unit, limit time.Duration) *Plain {
		return &Plain{AcceptLateOpening: true, Close: shut, Timed: &Timed{Message: Message{Topic: topic,
			Payload: payload}, Unit: unit, Limit: limit}}
	}
	value := func(topic, pointer string, one, other []string) *Value { return &Value{topic, pointer, one, other} }
	on, off := []string{"on"}, []string{"off"}
	with := func(change func(*Plain)) *Plain {
		p := &Plain{AcceptLateOpening: true, Open: open, Close: shut}
		change(p)
		return p
	}
	for _, c := range []struct {
		o    ContactOptions
		says string
	}{
		{ContactOptions{Prefix: "millrace/box", Limit: ms}, ""},
		{ContactOptions{Prefix: "millrace/box", Limit: ms - 1}, "limit: "},
		{ContactOptions{Prefix: "p", Limit: time.Hour}, ""},
		{ContactOptions{Prefix: "p", Limit: time.Hour + 1}, "limit: "},
		{ContactOptions{Prefix: "/p", Limit: ms}, "neither begins nor ends"},
		{ContactOptions{Prefix: "p/", Limit: ms}, "neither begins nor ends"},
		{ContactOptions{Prefix: "p+", Limit: ms}, "wildcards"}, {ContactOptions{}, "exactly one of prefix and plain"},
		{ContactOptions{Prefix: "p", Limit: ms, Plain: with(func(*Plain) {})}, "exactly one of prefix and plain"},
		{ContactOptions{Plain: with(func(*Plain) {})}, ""},
		{ContactOptions{Plain: with(func(*Plain) {}), Sense: true}, "sense: this key is for"},
		{ContactOptions{Plain: with(func(p *Plain) { p.AcceptLateOpening = false })}, "accept_late_opening: true"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Close = nil })}, "plain.close is missing"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Open = nil })}, "exactly one of timed and open"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Open = shut })}, "the same message as close"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Timed = &Timed{} })}, "exactly one of timed and open"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Open = &Message{Topic: "#"} })}, "plain.open.topic: "},
		{ContactOptions{Plain: with(func(p *Plain) { p.Close = &Message{Topic: "#"} })}, "plain.close.topic: "},
		{ContactOptions{Plain: timed("a", "{ms}", 0, ms)}, ""},
		{ContactOptions{Plain: timed("a", "{ms}", 0, ms-1)}, "allowed: 1ms to 1h"},
		{ContactOptions{Plain: timed("a/{ms}", "", 0, ms)}, ""},
		{ContactOptions{Plain: timed("a", "{s}", 0, time.Second)}, ""},
		{ContactOptions{Plain: timed("a", "{s}", 0, time.Second-1)}, "shorter than the unit, 1s"},
		{ContactOptions{Plain: timed("a", "x", 0, ms)}, "neither {ms} nor {s}"},
		{ContactOptions{Plain: timed("a", "{ms}", ms-1, time.Second)}, "whole milliseconds"},
		{ContactOptions{Plain: timed("a", "{ms}", ms+1, time.Second)}, "whole milliseconds"},
		{ContactOptions{Plain: timed("a", "{ms}", ms, time.Hour)}, ""},
		{ContactOptions{Plain: timed("a", "{ms}", ms, time.Hour+1)}, "allowed: 1ms to 1h"},
		{ContactOptions{Plain: timed("#", "{ms}", ms, ms)}, "plain.timed.topic: "},
		{ContactOptions{Plain: with(func(p *Plain) { p.State = value("s", "", on, off) })}, ""},
		{ContactOptions{Plain: with(func(p *Plain) { p.State = value("s", "", on, on) })}, "plain.state.open: "},
		{ContactOptions{Plain: with(func(p *Plain) { p.State = value("#", "", on, off) })}, "plain.state.topic: "},
		{ContactOptions{Plain: with(func(p *Plain) { p.State = value("s", "x", on, off) })}, "plain.state.pointer: "},
		{ContactOptions{Plain: with(func(p *Plain) { p.Sense = value("s", "", nil, off) })},
			"plain.sense.open is missing"},
		{ContactOptions{Plain: with(func(p *Plain) { p.Sense = value("s", "", on, nil) })},
			"plain.sense.closed is missing"},
		{ContactOptions{Plain: with(func(p *Plain) {
			p.Available = &Availability{Topic: "s", Online: on,
				Offline: on}
		})}, "plain.available.online: "},
		{ContactOptions{Plain: with(func(p *Plain) {
			p.Available = &Availability{Topic: "s", Online: on,
				Offline: off}
		})}, ""},
	} {
		err := relay.FaultError(ErrOptions, "line box-office", c.o.Check())
		if c.says == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorIs(t, err, ErrOptions)
		require.ErrorContains(t, err, c.says)
	}
}
