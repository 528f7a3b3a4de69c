package endpoint

import (
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// torture holds what RFC 4475 (RFC 5118 for IPv6) says about each of its messages, and what the endpoint does with it.
// want is the status code of the response, or "passed" (the user gets the message, and here answers 200; the answers of
// the user agent are in its own test), or "dropped".
var torture = []struct {
	name, section, want string
	why                 string // the code is one of several that the RFC allows, or differs from it
	check               func(*testing.T, *Request)
}{
	{name: "wsinv", section: "3.1.1.1", want: "passed", check: func(t *testing.T, r *Request) {
		require.Equal(t, "1918181833n", r.To().Params.GetOr("tag", ""))
		require.Equal(t, "98asjd8", r.Request.From().Params.GetOr("tag", ""))
		require.Equal(t, `J Rosenberg \\\"`, r.Request.From().DisplayName)
		require.Len(t, r.GetHeaders("Via"), 3)
		require.Equal(t, "390skdjuw", r.Via().Params.GetOr("branch", ""))
		require.Equal(t, "newvalue", r.Contact().Params.GetOr("newparam", ""))
		require.Equal(t, "0.33", r.Contact().Params.GetOr("q", ""))
		require.EqualValues(t, 9, r.CSeq().SeqNo)
		require.EqualValues(t, 68, r.MaxForwards().Val())
		require.Len(t, r.Body(), 150)
	}},
	{name: "intmeth", section: "3.1.1.2", want: "passed"},
	{name: "esc01", section: "3.1.1.3", want: "passed", check: func(t *testing.T, r *Request) {
		require.Equal(t, "sips%3Auser%40example.com", r.Recipient.User, "escapes stay")
	}},
	{name: "escnull", section: "3.1.1.4", want: "passed", check: func(t *testing.T, r *Request) {
		require.Len(t, r.GetHeaders("Contact"), 2)
		require.Equal(t, "null-%00-null", r.To().Address.User)
	}},
	{name: "esc02", section: "3.1.1.5", want: "passed", check: func(t *testing.T, r *Request) {
		require.Equal(t, "RE%47IST%45R", string(r.Method), "is not a REGISTER")
		require.Len(t, r.GetHeaders("Contact"), 2)
	}},
	{name: "lwsdisp", section: "3.1.1.6", want: "passed"},
	{name: "longreq", section: "3.1.1.7", want: "passed", check: func(t *testing.T, r *Request) {
		require.Len(t, r.GetHeaders("Via"), 34)
		require.Len(t, r.Body(), 150)
	}},
	{name: "dblreq", section: "3.1.1.8", want: "passed", check: func(t *testing.T,
		r *Request) {
		require.Empty(t, r.Body())
	}},
	{name: "semiuri", section: "3.1.1.9", want: "passed", check: func(t *testing.T, r *Request) {
		require.Equal(t, "user;par=u%40example.net", r.Recipient.User)
		require.Equal(t, "example.com", r.Recipient.Host)
	}},
	{name: "transports", section: "3.1.1.10", want: "passed", check: func(t *testing.T,
		r *Request) {
		require.Len(t, r.GetHeaders("Via"), 5)
	}},
	{name: "mpart01", section: "3.1.1.11", want: "passed", check: func(t *testing.T,
		r *Request) {
		require.Contains(t, string(r.Body()), "\x00")
	}},
	{name: "unreason", section: "3.1.1.12", want: "dropped",
		why: "a valid response, to a request that we did not send; see TestTortureResponses"},
	{name: "noreason", section: "3.1.1.13", want: "dropped", why: "likewise"},
	{name: "badinv01", section: "3.1.2.1", want: "400"},
	{name: "clerr", section: "3.1.2.2", want: "400"},
	{name: "ncl", section: "3.1.2.3", want: "400"},
	{name: "scalar02", section: "3.1.2.4", want: "400"},
	{name: "scalarlg", section: "3.1.2.5", want: "dropped"},
	{name: "quotbal", section: "3.1.2.6", want: "400"},
	{name: "ltgtruri", section: "3.1.2.7", want: "400", why: "may be repaired; nobody who needs that is known"},
	{name: "lwsruri", section: "3.1.2.8", want: "400"},
	{name: "lwsstart", section: "3.1.2.9", want: "400", why: "may be accepted likewise"},
	{name: "trws", section: "3.1.2.10", want: "400", why: "may be accepted likewise"},
	{name: "escruri", section: "3.1.2.11", want: "passed",
		why: "400 is only a MAY, and it may be a call for help; the header fields in the URI are dropped",
		check: func(t *testing.T, r *Request) {
			require.Equal(t, "sip:user@example.com", r.Recipient.String())
		}},
	{name: "baddate", section: "3.1.2.12", want: "passed", why: "the Date is not looked at"},
	{name: "regbadct", section: "3.1.2.13", want: "400"},
	{name: "badaspec", section: "3.1.2.14", want: "400"},
	{name: "baddn", section: "3.1.2.15", want: "400"},
	{name: "badvers", section: "3.1.2.16", want: "505"},
	{name: "mismatch01", section: "3.1.2.17", want: "400"},
	{name: "mismatch02", section: "3.1.2.18", want: "400", why: "501 as well; that CSeq does not match is seen first"},
	{name: "bigcode", section: "3.1.2.19", want: "dropped"},
	{name: "badbranch", section: "3.2.1", want: "400",
		why: "or taken for one of RFC 2543, whose matching would take all of its sender's requests for one"},
	{name: "insuf", section: "3.3.1", want: "400"},
	{name: "unkscm", section: "3.3.2", want: "416"},
	{name: "novelsc", section: "3.3.3", want: "416"},
	{name: "unksm2", section: "3.3.4", want: "400"},
	{name: "bext01", section: "3.3.5", want: "passed", why: "420 is the user's"},
	{name: "invut", section: "3.3.6", want: "passed", why: "415 is the user's"},
	{name: "regaut01", section: "3.3.7", want: "passed", why: "401 is the user's"},
	{name: "multi01", section: "3.3.8", want: "400"},
	{name: "mcl01", section: "3.3.9", want: "400"},
	{name: "bcast", section: "3.3.10", want: "dropped"},
	{name: "zeromf", section: "3.3.11", want: "passed", why: "a user agent is no proxy, and OPTIONS goes no further"},
	{name: "cparam01", section: "3.3.12", want: "passed", check: func(t *testing.T, r *Request) {
		require.True(t, r.Contact().Params.Has("unknownparam"), "of the contact")
	}},
	{name: "cparam02", section: "3.3.13", want: "passed", check: func(t *testing.T, r *Request) {
		require.True(t, r.Contact().Address.UriParams.Has("unknownparam"), "of the URI")
	}},
	{name: "regescrt", section: "3.3.14", want: "passed", check: func(t *testing.T, r *Request) {
		require.Equal(t, "%3Csip:sip.example.com%3E", r.Contact().Address.Headers.GetOr("Route", ""),
			"in brackets it belongs to the URI")
	}},
	{name: "sdp01", section: "3.3.15", want: "passed", why: "406 is the user's"},
	{name: "ipv6-good", section: "RFC 5118 4.1", want: "passed", check: func(t *testing.T, r *Request) {
		requireHost(t, "2001:db8::10", 0, r.Recipient.Host, r.Recipient.Port)
		requireHost(t, "2001:db8::9:1", 0, r.Via().Host, r.Via().Port)
		requireHost(t, "2001:db8::1", 0, r.Contact().Address.Host, r.Contact().Address.Port)
	}},
	{name: "ipv6-bad", section: "RFC 5118 4.2", want: "400"},
	{name: "port-ambiguous", section: "RFC 5118 4.3", want: "passed", why: "what is in the brackets is the address",
		check: func(t *testing.T, r *Request) {
			requireHost(t, "2001:db8::10:5070", 0, r.Recipient.Host, r.Recipient.Port)
		}},
	{name: "port-unambiguous", section: "RFC 5118 4.4", want: "passed", check: func(t *testing.T, r *Request) {
		requireHost(t, "2001:db8::10", 5070, r.Recipient.Host, r.Recipient.Port)
	}},
	{name: "via-received-param-with-delim", section: "RFC 5118 4.5", want: "passed",
		why: "not by the grammar, but it must be parsed", check: func(t *testing.T, r *Request) {
			requireHost(t, "2001:db8::9:1", 0, r.Via().Host, r.Via().Port)
			require.Equal(t, "z9hG4bKas3-111", r.Via().Params.GetOr("branch", ""))
		}},
	{name: "via-received-param-no-delim", section: "RFC 5118 4.5", want: "passed",
		check: func(t *testing.T, r *Request) {
			requireHost(t, "2001:db8::9:1", 0, r.Via().Host, r.Via().Port)
			require.Equal(t, "z9hG4bKas3", r.Via().Params.GetOr("branch", ""))
		}},
	{name: "ipv6-in-sdp", section: "RFC 5118 4.6", want: "passed", check: func(t *testing.T, r *Request) {
		require.Len(t, r.Body(), 251)
		require.Contains(t, string(r.Body()), "c=IN IP6 2001:db8::20\r\n")
	}},
	{name: "mult-ip-in-header", section: "RFC 5118 4.7", want: "passed", check: func(t *testing.T, r *Request) {
		require.Len(t, r.GetHeaders("Via"), 3)
		requireHost(t, "2001:db8::9:1", 6050, r.Via().Host, r.Via().Port)
	}},
	{name: "mult-ip-in-sdp", section: "RFC 5118 4.8", want: "passed", check: func(t *testing.T, r *Request) {
		require.Len(t, r.Body(), 189)
		require.Contains(t, string(r.Body()), "c=IN IP4 192.0.2.1\r\n")
		require.Contains(t, string(r.Body()), "c=IN IP6 2001:db8::1\r\n")
	}},
	{name: "ipv4-mapped-ipv6", section: "RFC 5118 4.9", want: "passed", check: func(t *testing.T, r *Request) {
		requireHost(t, "::ffff:192.0.2.10", 19823, r.Via().Host, r.Via().Port)
		requireHost(t, "::ffff:192.0.2.2", 0, r.Contact().Address.Host, r.Contact().Address.Port)
	}},
	{name: "ipv6-bug-abnf-3-colons", section: "RFC 5118 4.10", want: "passed",
		why: "not an address by RFC 4291, but by RFC 3261, and it must be tolerated"},
	{name: "ipv6-correct-abnf-2-colons", section: "RFC 5118 4.10", want: "passed",
		check: func(t *testing.T, r *Request) {
			requireHost(t, "2001:db8::192.0.2.1", 0, r.Recipient.Host, r.Recipient.Port)
		}},
	{name: "inv2543", section: "3.4.1", want: "400",
		why: "should be accepted for old peers' sake: From has no tag, so its dialog cannot be told from another (RFC 3261 section 12), " +
			"and there is no Contact, so nothing in the dialog could be sent. What spoke that way was replaced from 2002 on"},
}

// requireHost checks the host and the port (0 for none) of a URI or a Via.
func requireHost(t *testing.T, host string, port int, gotHost string, gotPort int) {
	t.Helper()
	require.Equal(t, host, strings.Trim(gotHost, "[]"))
	require.Equal(t, port, gotPort)
}

func read(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "torture", name+".dat"))
	require.NoError(t, err)
	return b
}

var (
	hostile = netip.MustParseAddrPort("192.0.2.66:5060")
	victim  = netip.MustParseAddrPort("192.0.2.1:5060")
)

// bubble runs f with an endpoint on a network in memory and a virtual clock. sent returns what the endpoint has sent.
func bubble(t *testing.T, h Handler, change func(*Options), f func(t *testing.T, e *Endpoint, n *endpointtest.Network,
	sent func() []endpointtest.Packet)) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var out []endpointtest.Packet
		n := &endpointtest.Network{}
		n.Lose = func(p endpointtest.Packet) bool {
			if p.From == victim {
				mu.Lock()
				out = append(out, p)
				mu.Unlock()
			}
			return false
		}
		o := Options{Packets: n.Listen(victim), Logger: failOnErrorLog(t)}
		if change != nil {
			change(&o)
		}
		e, err := Open(o, h)
		require.NoError(t, err)
		defer func() { require.NoError(t, e.Close()) }()
		f(t, e, n, func() []endpointtest.Packet {
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			got := out
			out = nil
			return got
		})
	})
}

func TestTorture(t *testing.T) {
	files, err := filepath.Glob("testdata/torture/*.dat")
	require.NoError(t, err)
	require.Len(t, torture, len(files))
	for _, c := range torture {
		var seen *Request
		h := testHandler{request: func(r *Request) { seen = r; r.Reply(200, "OK") }}
		bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			b := read(t, c.name)
			n.Send(hostile, victim, b)
			got := sent()
			if c.want == "dropped" {
				assert.Empty(t, got, c.name)
				assert.Nil(t, seen, c.name)
				return
			}
			if !assert.Len(t, got, 1, c.name) {
				return
			}
			want := c.want
			if want == "passed" {
				want = "200"
				assert.NotNil(t, seen, c.name)
			} else {
				assert.Nil(t, seen, c.name)
			}
			text := string(got[0].Data)
			assert.True(t, strings.HasPrefix(text, "SIP/2.0 "+want+" "), "%s (%s): %s", c.name, c.section, text)
			require.Equal(t, hostile.Addr(), got[0].To.Addr(), "the answer goes to the source of the request")
			require.LessOrEqual(t, len(text), len(b)+150, "%s: no amplifier", c.name)
			if seen != nil && c.check != nil {
				c.check(t, seen)
			}
		})
	}
}

// The two valid responses are accepted if they match a request (RFC 4475 sections 3.1.1.12 and 3.1.1.13).
func TestTortureResponses(t *testing.T) {
	for name, code := range map[string]int{"unreason": 200, "noreason": 100} {
		bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			req := outgoing("INVITE", name, net.UDPAddrFromAddrPort(hostile))
			got := 0
			_, err := e.Send(req, func(r Response) {
				if r.Err == nil { // otherwise it is the end of the test
					got = r.StatusCode
				}
			})
			require.NoError(t, err)
			asked := rawtest.Message(sent()[0].Data)
			lines := strings.Split(string(read(t, name)), "\r\n")
			for i, line := range lines { // replace what ties the response to the request
				if key, _, ok := strings.Cut(line, ":"); ok && asked.Get(key) != "" && key != "Contact" &&
					key != "Content-Length" && key != "To" {
					lines[i] = key + ": " + asked.Get(key)
				}
			}
			n.Send(hostile, victim, []byte(strings.Join(lines, "\r\n")))
			synctest.Wait()
			require.Equal(t, code, got)
		})
	}
}

// On a stream, a message whose end is not known ends the connection after a response. An incomplete message is waited
// for (RFC 4475 sections 3.1.2.2, 3.1.2.3 and 3.3.9).
func TestTortureStream(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	for name, ends := range map[string]bool{"ncl": true, "mcl01": true, "inv2543": true, "quotbal": false,
		"unkscm": false} {
		w := dial(t, "tcp", e)
		w.Send(string(read(t, name)))
		m := w.Next(testTimeout)
		require.True(t, strings.HasPrefix(m, "SIP/2.0 4"), "%s: %q", name, m)
		if !ends {
			w.Send(w.Text(rawtest.Request{Method: "OPTIONS", CallID: name}))
			w.Expect("SIP/2.0 200")
			continue
		}
		_, err := w.In.ReadByte()
		require.Error(t, err, name)
	}
	for head, want := range map[string]int{"X\r\nl: 5\r\n\r\n": 5, "X\r\nl: 5\r\nContent-Length: 5\r\n\r\n": -1,
		"X\r\n\r\n": -1, "X\r\nl: -1\r\n\r\n": -1} {
		n, err := contentLength([]byte(head))
		require.Equal(t, want < 0, err != nil, head)
		require.Equal(t, max(want, 0), n, head)
	}
	var f framer
	f.write(read(t, "clerr"))
	m, _, err := f.next()
	require.NoError(t, err)
	require.Nil(t, m)
	require.True(t, f.partial())
}
