package httprelay

import (
	"bytes"
	"context"
	"net"
	"net/http"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// TestRequests checks each request as Python's parser reads it. The encoded credentials are the example of RFC 7617,
// section 2.
func TestRequests(t *testing.T) {
	t.Parallel()
	d := newDevice(t, order{"logs": true, "names": []string{"7"}, "tokens": false})
	c := drive(t, d, Options{URL: d.url + "/api/", User: "Aladdin", Password: "open sesame",
		Headers: []Header{{"X-Key", "k-{contact}"}}},
		ContactOptions{
			Contact: "7",
			Timed: &Timed{Limit: 5 * time.Second, Request: Request{Method: "PUT",
				Path: "/{line}/{contact}/pulse?for={s}",
				Body: `{"seq":{seq},"ms":{ms},"why":"{line}"}`, Headers: []Header{{"X-Length", "{ms} ms of {seq}"}}}},
			Close: &Request{Path: "/{contact}/close"},
			Read: &Read{Request: Request{Path: "/{contact}/state"}, Pointer: "/open", Open: []string{"true"},
				Closed: []string{"false"}},
		})
	require.Equal(t, relay.Done, pulse(t, c, 1500*time.Microsecond).Outcome)
	all := d.requests()
	require.Equal(t, "POST /api/7/close", all[0].Request, "first of all it is closed")
	require.Equal(t, "GET /api/7/state", all[1].Request)
	require.Empty(t, all[1].Body)
	require.Equal(t, "no-store", all[1].Headers["Cache-Control"])
	open := all[2]
	require.Equal(t, "PUT /api/box-office/7/pulse?for=0.002", open.Request, "rounded up to whole milliseconds")
	require.Equal(t, "HTTP/1.1", open.Version)
	require.Regexp(t, `^\{"seq":\d+,"ms":2,"why":"box-office"\}$`, open.Body)
	require.Regexp(t, `^2 ms of \d+$`, open.Headers["X-Length"])
	require.Equal(t, "k-7", open.Headers["X-Key"])
	for _, r := range all {
		require.Equal(t, "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==", r.Headers["Authorization"], r.Request)
		require.Equal(t, "close", r.Headers["Connection"], r.Request)
		require.Equal(t, "clearback", r.Headers["User-Agent"], r.Request)
		require.NotContains(t, r.Headers, "Accept-Encoding", r.Request)
	}
}

// TestWholeSeconds checks that a device whose template has only {s} gets whole seconds, and that the opening counts as
// that long.
func TestWholeSeconds(t *testing.T) {
	o := ContactOptions{Name: relaytest.LineA, Timed: &Timed{Request: Request{Path: "/{contact}/on?t={s}"},
		Limit: 3 * time.Second}, Close: &Request{Path: "/off"}}
	require.Equal(t, time.Second, o.Timed.unit())
	b, err := NewBoard(Options{Name: "device", URL: "http://relays.example", NoLock: true})
	require.NoError(t, err)
	c, err := b.Contact(o)
	require.NoError(t, err)
	for d, want := range map[time.Duration]string{time.Second: "1", 2 * time.Second: "2", 800 * time.Millisecond: "0.8",
		1050 * time.Millisecond: "1.05"} {
		r, _, err := c.open.render(numbers(1, d))
		require.NoError(t, err)
		require.Equal(t, "t="+want, r.URL.RawQuery)
	}
	require.Equal(t, relay.KindOneshot, c.Kind())
}

// TestDeviceActsAndDropsConnection checks that a device that acts on a command and drops the connection acts only once,
// by POST and by GET. The client of net/http, which keeps connections, makes it act twice on GET, so the device can
// detect the difference.
func TestDeviceActsAndDropsConnection(t *testing.T) {
	t.Parallel()
	get := ContactOptions{Open: &Request{Method: "GET", Path: "/set?out={contact}&to=open"},
		Close: &Request{Method: "GET", Path: "/set?out={contact}&to=close"}}
	for name, o := range map[string]ContactOptions{"POST": {}, "GET": get} {
		t.Run(name, func(t *testing.T) {
			d := newDevice(t, order{"logs": true})
			c := drive(t, d, Options{}, o)
			d.fault(raw(true, "", ""))
			r := pulse(t, c, 20*time.Millisecond)
			require.Equal(t, relay.Unknown, r.Outcome)
			require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
			require.Equal(t, 1, d.openings())
			require.Equal(t, 1, d.commands("pulse")+d.commands("to=open"), "and was asked once")
		})
	}
	t.Run("a client that keeps connections", func(t *testing.T) {
		d := newDevice(t, order{"logs": true})
		client := &http.Client{Transport: &http.Transport{}}
		defer client.CloseIdleConnections()
		for _, path := range []string{"/set?out=box-office", "/set?out=box-office&to=open"} {
			a, err := client.Get(d.url + path)
			require.NoError(t, err)
			_, err = new(bytes.Buffer).ReadFrom(a.Body)
			require.NoError(t, err)
			a.Body.Close()
			if path == "/set?out=box-office" {
				d.fault(raw(true, "", ""))
			}
		}
		require.Equal(t, 2, d.commands("to=open"))
	})
}

// commands counts the requests whose request line contains a text.
func (d *simDevice) commands(text string) (n int) {
	for _, r := range d.requests() {
		if bytes.Contains([]byte(r.Request), []byte(text)) {
			n++
		}
	}
	return n
}

// TestRedirectIsNotFollowed checks that no redirect is followed, neither within the device nor to another one, not even
// with a safe method.
func TestRedirectIsNotFollowed(t *testing.T) {
	t.Parallel()
	d := newDevice(t, order{"logs": true})
	c := drive(t, d, Options{}, ContactOptions{})
	f := raw(false, "HTTP/1.1 303 See Other\r\nLocation: /elsewhere\r\nContent-Length: 0\r\n\r\n", "")
	f["on"] = "reading"
	d.fault(f)
	_, err := c.Read(t.Context())
	require.ErrorContains(t, err, "303 See Other, which is a redirect and is not followed")
	require.ErrorIs(t, err, ErrStatus)
	level, err := c.Read(t.Context())
	require.NoError(t, err, "the device stays in use")
	require.Equal(t, relay.LevelClosed, level)
	require.Zero(t, d.commands("elsewhere"))
}

// TestNoProxy checks that proxy settings in the environment have no effect. The device has a host name, since no client
// uses a proxy for 127.0.0.1.
func TestNoProxy(t *testing.T) {
	for _, v := range []string{"HTTP_PROXY", "http_proxy", "HTTPS_PROXY", "ALL_PROXY"} {
		t.Setenv(v, "http://proxy.example:3128")
	}
	d := newDevice(t, nil)
	var mu sync.Mutex
	asked := map[string]bool{}
	var dialer net.Dialer
	host := relaytest.ProcessName("relays") + ".example"
	c := drive(t, d, Options{URL: "http://" + host, Dial: func(ctx context.Context, address string) (net.Conn, error) {
		mu.Lock()
		defer mu.Unlock()
		asked[address] = true
		return dialer.DialContext(ctx, "tcp", d.url[len("http://"):])
	}}, ContactOptions{})
	require.Equal(t, relay.Done, pulse(t, c, 20*time.Millisecond).Outcome)
	mu.Lock()
	defer mu.Unlock()
	require.Equal(t, map[string]bool{host + ":80": true}, asked)
}

// slowDial is a network on which one of the next connections takes until a given instant. It counts writes.
type slowDial struct {
	to string

	mu     sync.Mutex
	skip   int // number of connections before the slow one
	until  time.Time
	writes []int
}

type counted struct {
	net.Conn
	d *slowDial
}

func (c counted) Write(p []byte) (int, error) {
	c.d.mu.Lock()
	c.d.writes = append(c.d.writes, len(p))
	c.d.mu.Unlock()
	return c.Conn.Write(p)
}

func (d *slowDial) dial(ctx context.Context, _ string) (net.Conn, error) {
	var dialer net.Dialer
	conn, err := dialer.DialContext(ctx, "tcp", d.to)
	d.mu.Lock()
	until := time.Time{}
	if d.skip--; d.skip < 0 {
		until, d.until = d.until, until
	}
	d.mu.Unlock()
	if !until.IsZero() {
		relay.SleepUntil(until)
	}
	return counted{conn, d}, err
}

// TestNotAfterIsLookedAtLast checks that nothing is written if the NotAfter passes while the connection is made, and
// that a request is written in one write.
func TestNotAfterIsLookedAtLast(t *testing.T) {
	t.Parallel()
	d := newDevice(t, order{"logs": true})
	slow := &slowDial{to: d.url[len("http://"):]}
	c := drive(t, d, Options{Dial: slow.dial}, ContactOptions{})
	require.Len(t, slow.writes, 2, "a close and a read-back")
	notAfter := time.Now().Add(20 * time.Millisecond)
	slow.mu.Lock()
	slow.skip, slow.until = 1, notAfter.Add(time.Millisecond) // the first connection asks for the token
	slow.mu.Unlock()
	r := c.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: time.Second, NotAfter: notAfter})
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrLate)
	slow.mu.Lock()
	require.Len(t, slow.writes, 3, "the request for the token, and nothing after it")
	slow.mu.Unlock()
	require.Equal(t, relay.Done, pulse(t, c, 20*time.Millisecond).Outcome)
	require.Equal(t, 1, d.openings())
}
