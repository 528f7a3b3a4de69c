package httprelay

import (
	"flag"
	"testing"

	"clearback/bridge/relay/relaytest"
)

var long = flag.Bool("long", false, "run the conformance suite for more kinds of devices")

func TestSuite(t *testing.T) {
	t.Parallel()
	suites := map[string]func(*testing.T){}
	run := func(name string, device order, o Options, c ContactOptions) {
		suites[name] = func(t *testing.T) {
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := order{"open": s.Open}
				for k, v := range device {
					own[k] = v
				}
				return subject(t, newDevice(t, own), s, o, c)
			})
		}
	}
	run("contract", nil, Options{}, ContactOptions{})
	if *long {
		run("contract without tokens", order{"tokens": false}, Options{}, ContactOptions{})
		run("plain", order{"text": true}, Options{}, plain)
		ours := newAuthority(t)
		server, client := ours.issue("server", []string{"relays.example"}), ours.issue("client", nil)
		run("contract by TLS", order{"certificate": server, "ca": ours.file},
			Options{CA: ours.file, ServerName: "relays.example", Certificate: client, Key: client}, ContactOptions{})
	}
	run("GET and blind", order{"version": "HTTP/1.0"}, Options{}, ContactOptions{
		Open:  &Request{Method: "GET", Path: "/set?out={contact}&to=open"},
		Close: &Request{Method: "GET", Path: "/set?out={contact}&to=close"},
	})
	if *long { // one interpreter serves all devices, and TLS takes processor time
		for name, suite := range suites {
			t.Run(name, suite)
		}
		return
	}
	together(t, suites)
}

// plain is a device without a timer whose answers are plain text.
var plain = ContactOptions{
	Open: &Request{Method: "PUT", Path: "/relay/{contact}", Body: "to=open",
		ContentType: "application/x-www-form-urlencoded", Expect: &Expect{Values: []string{"ON"}}},
	Close: &Request{Method: "PUT", Path: "/relay/{contact}", Body: "to=close",
		ContentType: "application/x-www-form-urlencoded", Expect: &Expect{Values: []string{"OFF"}}},
	Read: &Read{Request: Request{Path: "/relay/{contact}"}, Open: []string{"ON"}, Closed: []string{"OFF"}},
}
