package httprelay

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

func TestOptions(t *testing.T) {
	junk := filepath.Join(t.TempDir(), "junk.pem")
	require.NoError(t, os.WriteFile(junk, []byte("junk"), 0o600))
	for _, c := range []struct {
		o    Options
		text string
	}{
		{Options{URL: "http://relays.example"}, ""},
		{Options{URL: "https://192.0.2.50:8443/api/v1/"}, ""},
		{Options{URL: "http://[2001:db8::50]:8080"}, ""},
		{Options{URL: "relays.example"}, "write it as http://host:port/path"},
		{Options{URL: ""}, "write it as http://host:port/path"},
		{Options{URL: "ftp://relays.example"}, "write it as http://host:port/path"},
		{Options{URL: "http://"}, "write it as http://host:port/path"},
		{Options{URL: "http://relays.example/%zz"}, "it cannot be parsed"},
		{Options{URL: "http://u:p@relays.example"}, "write user and password as keys of their own"},
		{Options{URL: "http://relays.example/?key=1"}, "belongs to the path of each request"},
		{Options{URL: "http://relays.example/#x"}, "belongs to the path of each request"},
		{Options{URL: "http://relays.example", Timeout: 19 * time.Millisecond},
			"timeout: 19ms is out of range; allowed: 20ms to 10s"},
		{Options{URL: "http://relays.example", Timeout: 11 * time.Second}, "timeout: 11s is out of range"},
		{Options{URL: "http://relays.example", Poll: time.Millisecond}, "poll: 1ms is out of range"},
		{Options{URL: "http://relays.example", User: "a:b"}, "user: it must not contain a colon"},
		{Options{URL: "http://relays.example", User: "a", Password: "x\r\ny"}, "control characters"},
		{Options{URL: "http://relays.example", CA: junk}, "url: certificates need https://"},
		{Options{URL: "https://relays.example", CA: junk}, "has no certificate"},
		{Options{URL: "https://relays.example", CA: junk + "no"}, "no such file"},
		{Options{URL: "https://relays.example", Certificate: junk}, "belong together"},
		{Options{URL: "https://relays.example", Certificate: junk, Key: junk}, "certificate and key"},
	} {
		_, err := NewBoard(c.o)
		if c.text == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorIs(t, err, ErrOptions, c.text)
		require.ErrorContains(t, err, c.text)
	}
}

func TestContactOptions(t *testing.T) {
	on, off := &Request{Path: "/on"}, &Request{Path: "/off"}
	timed := func(r Request) *Timed { return &Timed{Request: r, Limit: time.Second} }
	state := func(r Request) *Read { return &Read{Request: r, Open: []string{"1"}, Closed: []string{"0"}} }
	pulse := Request{Path: "/pulse?ms={ms}"}
	closing := func(r Request) ContactOptions { return ContactOptions{Open: on, Close: &r} }
	for _, c := range []struct {
		o    ContactOptions
		text string
	}{
		{ContactOptions{}, ""},
		{ContactOptions{Timed: &Timed{Limit: time.Second}}, ""},
		{ContactOptions{Open: on, Close: off}, ""},
		{ContactOptions{Timed: timed(pulse), Close: off, Read: state(Request{Path: "/"})}, ""},
		{ContactOptions{Timed: timed(Request{Path: "/", Body: `{"a":{"b":[{seq},{ms}]}}`}), Close: off}, ""},
		{ContactOptions{Open: on}, "close is missing; add it"},
		{ContactOptions{Close: off}, "add timed if the device can end"},
		{ContactOptions{Open: on, Timed: timed(pulse), Close: off}, "open: the device times openings (timed)"},
		{ContactOptions{Timed: timed(Request{Path: "/pulse"}), Close: off},
			"timed: it contains neither {ms} nor {s}"},
		{ContactOptions{Timed: &Timed{Request: pulse, Unit: 10 * time.Microsecond, Limit: time.Second}, Close: off},
			"timed.unit: 10µs is out of range"},
		{ContactOptions{Timed: &Timed{Request: pulse, Unit: 1500 * time.Microsecond, Limit: time.Second}, Close: off},
			"timed.unit: 1.5ms is out of range; allowed: whole milliseconds"},
		{ContactOptions{Timed: &Timed{Request: Request{Path: "/?{s}"}, Limit: 999 * time.Millisecond}, Close: off},
			"timed.limit: 999ms is shorter than the unit, 1s"},
		{ContactOptions{Timed: &Timed{Request: pulse, Limit: 2 * time.Hour}, Close: off}, "timed.limit: 2h0m0s is out of range; allowed: 1ms to 1h0m0s"},
		{ContactOptions{Open: &Request{Path: "/on?t={ms}"}, Close: off},
			"open.path: it contains a word in braces that is not allowed there; allowed: {line} {contact} {user} {password} {seq}"},
		{closing(Request{Path: "/off", Body: "{line"}), ""},
		{closing(Request{Path: "/off", Body: "{Line}"}), "close.body: it contains a word"},
		{closing(Request{Path: "off"}), "close.path: this is not a path"},
		{closing(Request{Path: "/off?key=top secret"}),
			"close.path: this is not a path"},
		{closing(Request{Path: "/off%"}), "characters that a URL cannot contain"},
		{closing(Request{Path: "/off#now"}), "characters that a URL cannot contain"},
		{closing(Request{Path: "/öff"}), "characters that a URL cannot contain"},
		{closing(Request{Path: "/off?{password}"}), "value for {password} may contain only letters"},
		{closing(Request{Method: "DELETE", Path: "/off"}), `close.method: "DELETE" is not known; allowed: POST, PUT, PATCH, GET`},
		{closing(Request{Method: "GET", Path: "/off", Body: "x"}), "close.body: a GET has no body"},
		{closing(Request{Path: "/off", Headers: []Header{{"Content-Length", "3"}}}),
			`close.headers[0].name: "Content-Length" is a header field that the driver sets`},
		{closing(Request{Path: "/off", Headers: []Header{{"transfer-encoding", "x"}}}),
			`"transfer-encoding" is a header field that the driver sets`},
		{closing(Request{Path: "/off", Headers: []Header{{"X Y", "3"}}}),
			`"X Y" is not the name of a header field`},
		{closing(Request{Path: "/off", Headers: []Header{{"X-Y", "3\r\nX-Z: 4"}}}),
			"close.headers[0].value: it contains control characters"},
		{closing(Request{Path: "/off", Body: "x", ContentType: "a\nb"}), "close.content_type: it contains control characters"},
		{closing(Request{Path: "/off", Success: []int{302}}), "close.success[0]: 302 is not an allowed status code"},
		{closing(Request{Path: "/off", Success: []int{200}, Refused: []int{200}}),
			"close.refused: 200 cannot be both a success and a refusal"},
		{closing(Request{Path: "/off", Expect: &Expect{Pointer: "/ok"}}), "close.expect.values is missing"},
		{closing(Request{Path: "/off", Expect: &Expect{Pointer: "ok", Values: []string{"1"}}}),
			`JSON pointer "ok"; it begins with /`},
		{closing(Request{Path: "/off", Expect: &Expect{Pointer: "/~2", Values: []string{"1"}}}),
			"~ must be followed by 0 or 1"},
		{ContactOptions{Open: on, Close: off, Read: state(Request{Path: "/?{seq}"})}, "read.path: it contains a word"},
		{ContactOptions{Open: on, Close: off, Read: &Read{Request: *on, Open: []string{"1"}}},
			"read.closed is missing"},
		{ContactOptions{Open: on, Close: off, Sense: &Read{Request: *on, Open: []string{"1"},
			Closed: []string{"0", "1"}}}, `sense.open: "1" cannot mean both states`},
	} {
		b, err := NewBoard(Options{Name: "rack", URL: "http://relays.example", NoLock: true, User: "u", Password: "#"})
		require.NoError(t, err)
		c.o.Name = "workshop"
		_, err = b.Contact(c.o)
		if c.text == "" {
			require.NoError(t, err, "%+v", c.o)
			continue
		}
		require.ErrorIs(t, err, ErrOptions, c.text)
		require.ErrorContains(t, err, c.text)
		require.ErrorContains(t, err, "line workshop")
		require.NotContains(t, err.Error(), "secret")
	}
}

// TestOneContactTwice checks that two lines cannot have the same contact, however it is written.
func TestOneContactTwice(t *testing.T) {
	o := Options{Name: "rack", URL: "http://relays-" + fmt.Sprint(time.Now().UnixNano()) + ".example"}
	contact := func(line, name string) error {
		b, err := NewBoard(o)
		require.NoError(t, err)
		_, err = b.Contact(ContactOptions{Name: line, Contact: name})
		t.Cleanup(func() { b.Shutdown(context.Background()) })
		return err
	}
	require.NoError(t, contact("workshop", "1"))
	require.NoError(t, contact("green-room", "2"))
	require.ErrorIs(t, contact("stage-door", "1"), relay.ErrLocked)
}

// TestSecretsAreNotShown checks that no error or notice about a failing device contains a secret.
func TestSecretsAreNotShown(t *testing.T) {
	t.Parallel()
	const secret = "S3cr3t"
	d := newDevice(t, nil)
	var mu sync.Mutex
	var said []string
	say := func(err error) {
		if err != nil {
			mu.Lock()
			defer mu.Unlock()
			said = append(said, err.Error())
		}
	}
	fail := make(chan error, 1) // one connection fails
	var dialer net.Dialer
	o := Options{User: "u" + secret, Password: secret, Headers: []Header{{"X-Key", secret}},
		Notify: func(n relay.Notice) { say(n.Err) },
		Dial: func(ctx context.Context, address string) (net.Conn, error) {
			select {
			case err := <-fail:
				return nil, err
			default:
				return dialer.DialContext(ctx, "tcp", address)
			}
		}}
	c := drive(t, d, o, ContactOptions{
		Open: &Request{Path: "/{contact}?to=open&key=" + secret + "&pw={password}", Body: secret,
			Headers: []Header{{"X-Key-Too", secret}}},
		Close: &Request{Path: "/{contact}?to=close&key=" + secret},
		Read: &Read{Request: Request{Path: "/{contact}?key=" + secret}, Pointer: "/open", Open: []string{"true"},
			Closed: []string{"false"}},
	})
	for _, f := range []order{{"do": "refuse", "status": 401}, {"do": "hangup"}, {"do": "ignore"},
		raw(false, "HTTP/1.1 "+secret+"\r\n\r\n", ""),
		raw(false, "HTTP/1.1 200 OK\r\n"+secret+"\r\n\r\n", ""),
		raw(false, "HTTP/1.0 403 No\r\n\r\nunknown key "+secret, ""),
		raw(false, "HTTP/1.0 403 No\r\n\r\nnot for Basic "+base64.StdEncoding.EncodeToString([]byte("u"+secret+":"+secret)),
			"")} {
		f["on"], f["once"] = "opening", true
		d.fault(f)
		require.Eventually(t, func() bool {
			r := pulse(t, c, 20*time.Millisecond)
			say(r.Err)
			return r.Outcome == relay.Done
		}, 5*time.Second, 10*time.Millisecond)
	}
	fail <- errors.New("no route")
	r := pulse(t, c, 20*time.Millisecond)
	say(r.Err)
	require.Equal(t, relay.Refused, r.Outcome)
	_, err := relay.Lock(c.close.claim())
	say(err)
	mu.Lock()
	defer mu.Unlock()
	all := strings.Join(said, "\n")
	require.NotContains(t, all, secret)
	require.NotContains(t, all, "key=")
	require.NotContains(t, all, "not for Basic")
	require.Contains(t, all, "403 Forbidden; the answer repeats a part of the request and is not shown")
	for _, want := range []string{"401 Unauthorized", "/{contact}", "no route", "did not answer", "not valid HTTP"} {
		require.Contains(t, all, want)
	}
}
