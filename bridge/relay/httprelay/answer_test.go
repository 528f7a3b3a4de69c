package httprelay

import (
	"context"
	"encoding/base64"
	"strings"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// drive returns a ready contact on a started board on the device.
func drive(t *testing.T, d *simDevice, o Options, c ContactOptions) *Contact {
	t.Helper()
	contact := newIdleContact(t, d, o, c)
	contact.board.Start()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	require.NoError(t, contact.board.Ready(ctx))
	return contact.Contact
}

type newTestBoard struct {
	*Contact
	board *Board
}

// newIdleContact is drive without the start.
func newIdleContact(t *testing.T, d *simDevice, o Options, c ContactOptions) newTestBoard {
	t.Helper()
	o.Name = "device"
	if o.URL == "" {
		o.URL = d.url
	}
	if o.Timeout == 0 {
		o.Timeout = relaytest.Timeout(testTimeout)
	}
	if o.Poll == 0 {
		o.Poll = time.Minute // a case counts requests, or sets faults for certain requests
	}
	b, err := NewBoard(o)
	require.NoError(t, err)
	c.Name = relaytest.LineA
	contact, err := b.Contact(c)
	require.NoError(t, err)
	t.Cleanup(func() {
		d.Clear()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		for _, left := range b.Shutdown(ctx) {
			t.Logf("not closed: %v", left)
		}
	})
	return newTestBoard{contact, b}
}

func pulse(t *testing.T, c *Contact, d time.Duration) relay.Result {
	t.Helper()
	return pulseWithin(t, c, d, time.Minute)
}

// pulseWithin waits for the first connection, if there has been none, for the given time at most.
func pulseWithin(t *testing.T, c *Contact, d, within time.Duration) relay.Result {
	t.Helper()
	return c.Interrupt(t.Context(), relay.Interruption{Seq: uint32(time.Now().UnixNano()), Duration: d,
		NotAfter: time.Now().Add(within)})
}

// openings counts the openings.
func (d *simDevice) openings() (n int) {
	for _, c := range d.Changes(0) {
		if c.Open {
			n++
		}
	}
	return n
}

// raw is a fault that answers an opening with the given bytes, after carrying it out or not. The bytes again are
// repeated until the driver disconnects.
func raw(act bool, bytes, again string) order {
	e := base64.StdEncoding.EncodeToString
	return order{"do": "raw", "on": "opening", "once": true, "act": act, "bytes": e([]byte(bytes)),
		"again": e([]byte(again))}
}

// TestImproperAnswers checks the outcome of an opening with an improper answer. The contact must be closed and work
// again afterwards.
func TestImproperAnswers(t *testing.T) {
	t.Parallel()
	cases := map[string]func(*testing.T){}
	ok := "HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}"
	slow := raw(true, "HTTP/1.1 200 OK\r\nContent-Length: 9999\r\n\r\n{", " ")
	slow["ms"] = 20
	for _, c := range []struct {
		name  string
		fault order
		want  relay.Outcome
		text  string
	}{
		{"nothing", raw(true, "", ""), relay.Unknown, "ends too early"},
		{"half a head", raw(true, "HTTP/1.1 200 OK\r\nServer: x\r\n", ""), relay.Unknown, "ends too early"},
		{"half a body", raw(true, "HTTP/1.1 200 OK\r\nContent-Length: 5\r\n\r\n{", ""), relay.Unknown,
			"ends too early"},
		{"garbage", raw(true, "\x00\xff\x03 200 OK\r\n\r\n", ""), relay.Unknown, "not valid HTTP"},
		{"another protocol", raw(true, "SSH-2.0-x\r\n", ""), relay.Unknown, "not valid HTTP"},
		{"an endless head", raw(true, "HTTP/1.1 200 OK\r\n", strings.Repeat("X-More: and more\r\n", 1000)),
			relay.Unknown, "longer than 65536"},
		{"an endless line", raw(true, "HTTP/1.1 200 ", strings.Repeat("OK ", 1000)), relay.Unknown,
			"longer than 65536"},
		{"an endless body", raw(true, "HTTP/1.1 200 OK\r\n\r\n", strings.Repeat(" ", 1000)), relay.Unknown,
			"longer than 65536"},
		{"a long body by its length", raw(true, "HTTP/1.1 200 OK\r\nContent-Length: 99999999999\r\n\r\n",
			strings.Repeat(" ", 1000)), relay.Unknown, "longer than 65536"},
		{"an endless chunk", raw(true, "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nffffffff\r\n",
			strings.Repeat(" ", 1000)), relay.Unknown, "longer than 65536"},
		{"a broken chunk", raw(true, "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nxyz\r\n", ""), relay.Unknown,
			"not valid HTTP"},
		{"a body that drips", slow, relay.Unknown, " within "},
		{"a switch of protocols",
			raw(true, "HTTP/1.1 101 Switching Protocols\r\nUpgrade: x\r\nConnection: Upgrade\r\n\r\n", ""),
			relay.Unknown, "101"},
		{"interim answers only", raw(true, "", "HTTP/1.1 102 Processing\r\n\r\n"), relay.Unknown, "interim"},
		{"interim answers before it",
			raw(true, "HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 103 Early Hints\r\nLink: </x>\r\n\r\n"+ok, ""), relay.Done,
			""},
		{"HTTP/1.0 to the end of the connection", raw(true, "HTTP/1.0 200 OK\r\n\r\n{}", ""), relay.Done, ""},
		{"more behind it", raw(true, ok+"HTTP/1.1 400 Bad Request\r\n\r\n", ""), relay.Done, ""},
		{"no content", raw(true, "HTTP/1.1 204 No Content\r\n\r\n", ""), relay.Done, ""},
		{"a redirect", raw(true, "HTTP/1.1 302 Found\r\nLocation: /elsewhere\r\nContent-Length: 0\r\n\r\n", ""),
			relay.Unknown, "not followed"},
		{"a redirect of the same method",
			raw(false, "HTTP/1.1 307 Temporary Redirect\r\nLocation: /elsewhere\r\nContent-Length: 0\r\n\r\n", ""),
			relay.Unknown, "not followed"},
		{"too long", raw(false, "HTTP/1.1 422 Unprocessable Content\r\nContent-Length: 0\r\n\r\n", ""), relay.Refused,
			"422"},
		{"no such contact", raw(false, "HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n", ""), relay.Refused,
			"404 Not Found"},
		{"a conflict", raw(true, "HTTP/1.1 409 Conflict\r\nContent-Length: 0\r\n\r\n", ""), relay.Unknown, "409"},
		{"a fault of the device", raw(true, "HTTP/1.1 500 Internal Server Error\r\nContent-Length: 0\r\n\r\n", ""),
			relay.Unknown, "500"},
	} {
		cases[c.name] = func(t *testing.T) {
			d := newDevice(t, nil)
			var o Options
			if c.text != " within " { // otherwise no case waits for the time-out, so a busy machine may be slow
				o.Timeout = 10 * time.Second
			}
			contact := drive(t, d, o, ContactOptions{})
			d.fault(c.fault)
			r := pulse(t, contact, 30*time.Millisecond)
			require.Equal(t, c.want, r.Outcome, "%v", r.Err)
			if c.text != "" {
				require.ErrorContains(t, r.Err, c.text)
			}
			acted := 0
			if c.fault["act"] == true {
				acted = 1
			}
			require.Equal(t, acted, d.openings(), "the device was commanded once")
			require.NoError(t, contact.Close(t.Context()))
			// On a busy machine an answer may come too late, after the device has opened. So only the last one counts.
			before := 0
			require.Eventually(t, func() bool {
				before = d.openings()
				return pulse(t, contact, 30*time.Millisecond).Outcome == relay.Done
			}, 30*time.Second, 10*time.Millisecond)
			require.Equal(t, before+1, d.openings())
		}
	}
	together(t, cases)
}
