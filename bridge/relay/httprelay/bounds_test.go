package httprelay

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
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
		{Options{Poll: 10 * ms}, true}, {Options{Poll: 10*ms - 1}, false},
		{Options{URL: "https://relays.example", CA: "ca.pem"}, true}, {Options{CA: "ca.pem"}, false},
		{Options{ServerName: "a"}, false}, {Options{URL: "https://relays.example", Key: "k"}, false},
		{Options{URL: "https://relays.example", Key: "k", Certificate: "c"}, true},
		{Options{URL: "http://"}, false}, {Options{URL: "ftp://relays.example"}, false},
		{Options{URL: "http:relays.example"}, false}, {Options{URL: "http://relays.example?"}, false},
		{Options{URL: "http://relays.example/#"}, false}, {Options{URL: "http://u@relays.example"}, false},
		{Options{URL: "http://relays.example:x"}, false},
		{Options{User: "a:b"}, false}, {Options{User: "a", Password: "b\x7f"}, false},
		{Options{User: "a\x1f"}, false}, {Options{User: "a", Password: "b c"}, true},
	} {
		if c.o.URL == "" {
			c.o.URL = "http://relays.example:8080/a"
		}
		o, base, err := c.o.withDefaults()
		require.Equal(t, c.ok, err == nil, c.o)
		if c.ok {
			require.Equal(t, "relays.example", base.Hostname())
			require.NotNil(t, o.Dial)
		}
	}
	shut, open := &Request{Path: "/close"}, &Request{Path: "/open"}
	timed := func(path string, unit, limit time.Duration) *Timed {
		return &Timed{Request: Request{Path: path}, Unit: unit, Limit: limit}
	}
	for _, c := range []struct {
		o    ContactOptions
		says string
	}{
		{ContactOptions{Close: shut, Open: open}, ""}, {ContactOptions{Open: open}, "close is missing; add it"},
		{ContactOptions{Close: shut}, "add timed if the device can end"},
		{ContactOptions{Close: shut, Open: open, Timed: timed("/{ms}", 0, ms)}, "open: the device times"},
		{ContactOptions{Close: shut, Timed: timed("/", 0, ms)}, "neither {ms} nor {s}"},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", 0, ms)}, ""},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", 0, ms-1)}, "timed.limit: "},
		{ContactOptions{Close: shut, Timed: timed("/{s}", 0, time.Second)}, ""},
		{ContactOptions{Close: shut, Timed: timed("/{s}", 0, time.Second-1)}, "shorter than the unit, 1s"},
		{ContactOptions{Close: shut, Timed: timed("/{ms}{s}", 0, ms)}, ""},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", ms-1, time.Second)}, "timed.unit: "},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", ms+1, time.Second)}, "timed.unit: "},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", ms, time.Hour)}, ""},
		{ContactOptions{Close: shut, Timed: timed("/{ms}", ms, time.Hour+1)}, "timed.limit: "},
		{ContactOptions{Close: shut, Timed: &Timed{Request: Request{Path: "/", Body: "{ms}"}, Limit: ms}}, ""},
		{ContactOptions{Close: shut, Timed: &Timed{Request: Request{Path: "/", Headers: []Header{{"X", "{ms}"}}},
			Limit: ms}}, ""},
	} {
		c.o.Name = "box-office"
		err := relay.FaultError(ErrOptions, "line box-office", c.o.Check(Options{}))
		if c.says == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorIs(t, err, ErrOptions)
		require.ErrorContains(t, err, c.says)
	}
	require.Equal(t, relay.KindOneshot, ContactOptions{Timed: &Timed{}}.kind())
	require.Equal(t, relay.KindNone, ContactOptions{}.kind())
}

// TestContractFilledIn checks that the contract is filled in if no other requests are set, with the limit and headers
// that are set.
func TestContractFilledIn(t *testing.T) {
	h := []Header{{"X-Site", "millrace"}}
	for _, c := range []struct {
		timed *Timed
		limit time.Duration
	}{
		{nil, 10 * time.Second}, {&Timed{}, 10 * time.Second},
		{&Timed{Limit: time.Second, Request: Request{Headers: h}}, time.Second},
	} {
		o := ContactOptions{Name: "box-office", Timed: c.timed}.withContract()
		require.True(t, o.contract)
		require.Equal(t, c.limit, o.Timed.Limit)
		require.Equal(t, "box-office", o.Contact)
		require.Equal(t, []string{"/{contact}/pulse", "/{contact}/close", "/{contact}/state"},
			[]string{o.Timed.Path, o.Close.Path, o.Read.Path})
		require.Equal(t, []string{"true"}, o.Read.Open)
		require.Equal(t, []string{"false"}, o.Read.Closed)
		if c.limit == time.Second {
			require.Equal(t, [][]Header{h, h, h}, [][]Header{o.Timed.Headers, o.Close.Headers, o.Read.Headers})
		}
	}
	for _, o := range []ContactOptions{{Open: &Request{}}, {Close: &Request{}}, {Read: &Read{}},
		{Timed: &Timed{Request: Request{Path: "/x"}}}} {
		o.Contact = "7"
		got := o.withContract()
		require.False(t, got.contract)
		require.Equal(t, "7", got.Contact)
	}
}

// TestStatusCodes checks which status codes may be set, and what each means by default.
func TestStatusCodes(t *testing.T) {
	for code, ok := range map[int]bool{199: false, 200: true, 299: true, 300: false, 399: false, 400: true, 599: true,
		600: false} {
		require.Equal(t, ok, len(answerFaults(Request{Success: []int{code}})) == 0, code)
		require.Equal(t, ok, len(answerFaults(Request{Refused: []int{code}})) == 0, code)
	}
	require.Equal(t, relay.Faults{{Key: "open.refused", At: "open.refused[1]",
		Problem: "200 cannot be both a success and a refusal; remove one of them"}},
		answerFaults(Request{Success: []int{200}, Refused: []int{400, 200}}))
	require.Empty(t, answerFaults(Request{Success: []int{200}, Refused: []int{400}}))
	require.Len(t, answerFaults(Request{Expect: &Expect{}}), 1)
	require.Len(t, answerFaults(Request{Expect: &Expect{Pointer: "x", Values: []string{"1"}}}), 1)
	for _, c := range []struct {
		m      message
		status int
		sure   bool
		says   string
	}{
		{message{}, 200, false, ""}, {message{}, 299, false, ""}, {message{}, 404, true, "404 Not Found"},
		{message{}, 408, false, "408"}, {message{}, 409, false, "409"},
		{message{}, 424, false, "424"}, {message{}, 425, false, "425"}, {message{}, 429, false, "429"},
		{message{}, 499, false, "499"}, {message{}, 500, false, "500"},
		{message{}, 303, false, "which is a redirect"}, {message{success: []int{201}}, 200, false, "200"},
		{message{success: []int{409}}, 409, false, ""},
		{message{refused: []int{409}}, 409, true, "409"}, {message{refused: []int{409}}, 404, false, "404"},
		{message{refused: []int{303}}, 303, false, "which is a redirect"},
	} {
		c.m.what = "POST http://relays.example/pulse"
		err := c.m.check(answer{status: c.status, body: []byte("why not")})
		if c.says == "" {
			require.NoError(t, err)
			continue
		}
		var no *controller.Refusal
		require.ErrorAs(t, err, &no)
		require.Equal(t, c.sure, no.Sure, c.status)
		require.ErrorIs(t, err, ErrStatus)
		require.ErrorContains(t, err, c.says)
		require.ErrorContains(t, err, ": why not")
	}
}

func answerFaults(r Request) relay.Faults {
	var c checker
	c.answers("open", &r)
	return c.Faults
}

// TestWordsOfANumber checks that seconds have no more digits than they need.
func TestWordsOfANumber(t *testing.T) {
	for d, want := range map[time.Duration]string{0: "0 0", 800 * time.Millisecond: "800 0.8", time.Second: "1000 1",
		1001 * time.Millisecond: "1001 1.001", 1250 * time.Millisecond: "1250 1.25", 10 * time.Second: "10000 10"} {
		require.Equal(t, "7 "+want, numbers(7, d).Replace("{seq} {ms} {s}{token}"))
	}
	require.Equal(t, `7,"token":"a"`, numbersAndToken(7, 0, "a").Replace("{seq}{token}"))
}

// TestLongAnswers checks that an answer is read up to its limit, and that a longer one is reported as too long, even if
// the truncation causes another error.
func TestLongAnswers(t *testing.T) {
	b := &bounded{strings.NewReader("abcdef"), 4}
	got, err := io.ReadAll(b)
	require.Equal(t, "abcd", string(got))
	require.Equal(t, errLong, err)
	require.Equal(t, errLong, b.explain(io.ErrUnexpectedEOF))
	b = &bounded{bytes.NewReader(nil), 1}
	require.EqualError(t, b.explain(io.EOF), "it ends too early")
	require.EqualError(t, b.explain(io.ErrUnexpectedEOF), "it ends too early")
	require.EqualError(t, b.explain(errors.New("x: secret")), "it is not valid HTTP")
	require.Equal(t, `"`+strings.Repeat("x", 20)+`"`, quoteShort(strings.Repeat("x", 20)))
	require.Equal(t, "a text of 21 bytes", quoteShort(strings.Repeat("x", 21)))
}

// TestNamesInARequest checks that each template word is replaced by its own name, and only if the name is allowed in a
// URL.
func TestNamesInARequest(t *testing.T) {
	b, err := NewBoard(Options{Name: "device", URL: "http://relays.example/base/", User: "usher", Password: "pass~1",
		NoLock: true})
	require.NoError(t, err)
	k := newCompiler(b, &ContactOptions{Name: "box-office", Contact: "relay7"})
	m := k.compile(&Request{Path: "/{contact}/{line}?u={user}&p={password}&n={seq}", Body: "{user}",
		Headers: []Header{{"X-Line", "{line}"}}}, "POST")
	require.Equal(t, "http://relays.example/base/relay7/box-office?u=usher&p=pass~1&n={seq}", m.url)
	require.Equal(t, "usher", m.body)
	require.Equal(t, "POST http://relays.example/base/{contact}/{line}", m.what)
	require.Equal(t, []Header{{"User-Agent", "clearback"}, {"Content-Type", "application/json"},
		{"Authorization", "Basic dXNoZXI6cGFzc34x"}, {"X-Line", "box-office"}}, m.headers)
	m = k.compile(&Request{Path: "/"}, "GET")
	require.Equal(t, Header{"Cache-Control", "no-store"}, m.headers[1])
	for says, r := range map[string]Request{
		"value for {password}": {Path: "/{password}"}, "value for {user}": {Path: "/{user}"},
		"value for {line}": {Path: "/{line}"}, "value for {contact}": {Path: "/{contact}"},
		"a word in braces that is not allowed there": {Path: "/{ms}"}, "begin it with /": {Path: "x"},
		"that a URL cannot contain": {Path: "/a b"}, "a GET has no body": {Method: "GET", Path: "/", Body: "x"},
		`method: "HEAD"`: {Method: "HEAD", Path: "/"},
		"content_type: it contains control characters":     {Path: "/", Body: "x", ContentType: "a\n"},
		`"a b" is not the name`:                            {Path: "/", Headers: []Header{{"a b", ""}}},
		`"host" is a header field`:                         {Path: "/", Headers: []Header{{"host", ""}}},
		"headers[0].value: it contains control characters": {Path: "/", Headers: []Header{{"X", "a\n"}}},
		"body: it contains a word":                         {Path: "/", Body: "{x}"},
		"headers[0].value: it contains a word":             {Path: "/", Headers: []Header{{"X", "{x}"}}},
	} {
		o := ContactOptions{Name: "a b", Open: &r, Close: &Request{Path: "/"}}
		faults := o.Check(Options{User: "a b", Password: "a b"})
		require.Len(t, faults, 1, says)
		require.Contains(t, faults[0].Below("http"), "http.open."+strings.TrimPrefix(faults[0].Key, "open."))
		require.Contains(t, faults[0].String(), says)
	}
}

// TestWhatADeviceSaid checks that an error ends with the text of the device's answer, unless the text repeats a secret.
func TestWhatADeviceSaid(t *testing.T) {
	m := &message{secrets: []string{"S3cr3t"}}
	require.Equal(t, "", m.answerText(nil))
	require.Equal(t, "", m.answerText([]byte(" \r\n")))
	require.Equal(t, ": busy", m.answerText([]byte("busy\r\n")))
	require.Equal(t, "; the answer repeats a part of the request and is not shown",
		m.answerText([]byte("key S3cr3t is wrong")))
}
