package httprelay

import (
	"testing"

	"clearback/bridge/relay/relaytest"
)

func TestSuite(t *testing.T) {
	run := func(name string, device order, o Options, c ContactOptions) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := order{"open": s.Open}
				for k, v := range device {
					own[k] = v
				}
				return subject(t, newDevice(t, own), s, o, c)
			})
		})
	}
	run("contract", nil, Options{}, ContactOptions{})
	run("plain", order{"text": true}, Options{}, plain)
	run("GET and blind", order{"version": "HTTP/1.0"}, Options{}, ContactOptions{
		Open:  &Request{Method: "GET", Path: "/set?out={contact}&to=open"},
		Close: &Request{Method: "GET", Path: "/set?out={contact}&to=close"},
	})
}

// plain is a device that cannot time, and answers in words.
var plain = ContactOptions{
	Open:  &Request{Method: "PUT", Path: "/relay/{contact}", Body: "to=open", ContentType: "application/x-www-form-urlencoded", Expect: &Expect{Values: []string{"ON"}}},
	Close: &Request{Method: "PUT", Path: "/relay/{contact}", Body: "to=close", ContentType: "application/x-www-form-urlencoded", Expect: &Expect{Values: []string{"OFF"}}},
	Read:  &Read{Request: Request{Path: "/relay/{contact}"}, Open: []string{"ON"}, Closed: []string{"OFF"}},
}
