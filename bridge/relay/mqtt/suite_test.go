package mqtt

import (
	"cmp"
	"testing"
	"time"

	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// testTimeout is long enough for a machine that is busy with our other tests; see relaytest.Timeout.
const testTimeout = slower * 300 * time.Millisecond

// subject puts two contacts behind a broker.
func subject(t *testing.T, m *brokertest.Broker, r *suiteDevices, s relaytest.Setup, o Options,
	contact func(prefix string) ContactOptions) *relaytest.Subject {
	t.Helper()
	if o.Timeout == 0 {
		o.Timeout = testTimeout
	}
	limit := relaytest.Timeout(o.Timeout)
	o.Timeout = cmp.Or(s.Timeout, limit)
	o.Name, o.Address, o.Poll, o.Notify, o.Dial = "broker", "mqtt://"+m.Address(), 200*time.Millisecond, s.Notify,
		r.Dial
	b, err := NewBoard(o)
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: r, Start: b.Start, Ready: b.Ready, Timeout: limit,
		Late: relaytest.LateRefused, Says: "as ordered",
		Peer: func() { r.devices[0].tell("ping", nil); m.Ping() }}
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		c := contact(r.devices[i].prefix)
		c.Name, sub.Tries = name, c.Plain == nil
		if c.Plain != nil {
			sub.NeverRefuses, sub.Late = true, relaytest.LateObeyed // as the user has accepted
			if c.Plain.Timed != nil {
				sub.Quantum = c.Plain.Timed.Unit
			}
		}
		sub.Contacts[i], err = b.Contact(c)
		require.NoError(t, err)
	}
	relaytest.SetShutdown(t, sub, limit, b.Shutdown, func(n controller.NotClosed) string { return n.Contact })
	return sub
}

func TestSuite(t *testing.T) {
	run := func(name string, device order, o Options, contact func(prefix string) ContactOptions) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := sharedBroker(t)
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := order{"open": s.Open}
				for k, v := range device {
					own[k] = v
				}
				return subject(t, m, newSuiteDevices(t, m, own), s, o, contact)
			})
		})
	}
	run("contract", nil, Options{}, func(prefix string) ContactOptions { return ContactOptions{Prefix: prefix} })
	if *long {
		run("plain", plainDevices["switched"], Options{Timeout: testTimeout / 2}, switched)
	}
	if !testing.Short() {
		// A plain device can refuse only by silence, so a short time-out keeps the suite fast.
		run("plain timed", plainDevices["timed"], Options{Timeout: testTimeout / 2}, timed)
	}
}

var plainDevices = map[string]order{
	"switched": {"plain": order{"open": "OPEN", "close": "CLOSE", "states": []string{"off\n", "on\n"}}},
	"timed": {"plain": order{"close": "0", "unit": 1000, "states": []string{`{"relays":[{"on":false}]}`,
		`{"relays":[{"on":true}]}`}}},
}

func switched(prefix string) ContactOptions {
	return ContactOptions{Plain: &Plain{AcceptLateOpening: true,
		Open: &Message{prefix + "/set", "OPEN"}, Close: &Message{prefix + "/set", "CLOSE"},
		State:     &Value{Topic: prefix + "/relay", Open: []string{"on"}, Closed: []string{"off"}},
		Available: &Availability{Topic: prefix + "/status", Online: []string{"online"}, Offline: []string{"offline"}}}}
}

func timed(prefix string) ContactOptions {
	return ContactOptions{Plain: &Plain{AcceptLateOpening: true,
		Timed: &Timed{Message: Message{prefix + "/set", "pulse {s}"}, Unit: 20 * time.Millisecond,
			Limit: 3 * time.Second}, Close: &Message{prefix + "/set", "0"},
		State: &Value{Topic: prefix + "/relay", Pointer: "/relays/0/on", Open: []string{"true"},
			Closed: []string{"false"}},
		Available: &Availability{Topic: prefix + "/status", Online: []string{"online"}, Offline: []string{"offline"}}}}
}
