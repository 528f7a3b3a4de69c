package sipua

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

const summaryKind = "Content-Type: application/simple-message-summary"

// summaryText has the form of the worked example of RFC 3842 section 5.2 (from memory), with a line of the Millrace
// Playhouse.
const summaryText = "Messages-Waiting: yes\r\nMessage-Account: sip:5550100@pbx.example\r\nVoice-Message: 2/8 (0/2)\r\n"

func TestSummary(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		summaryText: "Messages-Waiting: yes|Message-Account: sip:a@b|Voice-Message: 2/8 (0/2)|",
		"messages-waiting : NO\nvoice-message:0/1(0/0)\nfax-message:1/1": "Messages-Waiting: no|Message-Account: sip:a@b|Voice-Message: 0/1 (0/0)|Fax-Message: 1/1|",
		"\r\nMessages-Waiting: no":                                       "Messages-Waiting: no|Message-Account: sip:a@b|",
		// single messages follow an empty line; unknown classes, invalid lines and repeated classes are left out
		"Messages-Waiting: yes\r\nVoice-Message: 1/0\r\nVoice-Message: 9/9\r\nX-Message: 1/1\r\nFax-Message: -1/0\r\nText-Message: 4294967296/0\r\n\r\nSubject: 9/9\r\n": "Messages-Waiting: yes|Message-Account: sip:a@b|Voice-Message: 1/0|",
	} {
		s, err := parseSummary([]byte(in))
		if got := strings.ReplaceAll(string(s.body("sip:a@b")), "\r\n", "|"); err != nil || got != want {
			t.Errorf("%q: %q (%v), want %q", in, got, err, want)
		}
	}
	for _, in := range []string{"", "\r\n", "Voice-Message: 1/1\r\nMessages-Waiting: yes", "Messages-Waiting: maybe",
		"<xml/>"} {
		if _, err := parseSummary([]byte(in)); err == nil {
			t.Errorf("%q was accepted", in)
		}
	}
}

// FuzzSummary checks that a formatted summary is parsed as the same again, and never exceeds a datagram.
func FuzzSummary(f *testing.F) {
	f.Add([]byte(summaryText))
	f.Add([]byte("Messages-Waiting: no\n\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		s, err := parseSummary(in)
		if err != nil {
			return
		}
		out := s.body("sip:a@b")
		again, err := parseSummary(out)
		if err != nil || !again.same(s) || len(out) > 600 {
			t.Fatalf("%q became %q (%v)", in, out, err)
		}
	})
}

// waiting returns a test bed that passes messages on. rest controls whether its line is at rest.
func waiting(t testing.TB, how MessageWaiting, settings ...setting) (h *testBed, rest *atomic.Bool) {
	rest = &atomic.Bool{}
	with := func(o *Options, times *times) {
		o.Lines[0].MessageWaiting, o.Lines[0].AtRest = how, rest.Load
		times.atRestPoll, times.resubscribe, times.closeTimeout = 5*time.Millisecond, 10*time.Millisecond,
			50*time.Millisecond
	}
	return newVirtualTestBed(t, append([]setting{with}, settings...)...), rest
}

// notify sends an unsolicited NOTIFY from the service.
func (h *testBed) notify(body string, extra ...string) *uatest.Dialog {
	h.t.Helper()
	target := "sip:" + serviceUser + "@" + h.toService.String()
	id := h.service.NewID()
	d := &uatest.Dialog{P: h.service, CallID: id, Local: "<" + target + ">;tag=" + id, Remote: "<" + target + ">",
		Target: target, To: h.toService}
	if len(extra) == 0 {
		extra = []string{"Event: message-summary", summaryKind}
	}
	d.Request("NOTIFY", body, extra...)
	return d
}

// quietly fails if the adapter gets anything during several checks of the line.
func (h *testBed) quietly() {
	h.t.Helper()
	select {
	case m := <-h.adapter.In:
		h.t.Fatalf("the adapter got %s", m)
	case <-time.After(40 * time.Millisecond):
	}
}

// The adapter is notified when the line is at rest, and not earlier: neither during the guard time, nor while it rings,
// nor in a call (some adapters ring when they get a NOTIFY).
func TestNotifyWaitsForIdleLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass)
		h.notify(summaryText)
		h.service.ExpectOf("200", "NOTIFY")
		h.quietly() // not at rest: guard time, a trial or a fault
		far := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		rest.Store(true)
		h.quietly()
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		h.quietly()
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		far.Established(h.service.Expect("200")).Ack("")
		h.quietly()
		rest.Store(false)
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 ringing", "1 answered", "1 far end cleared: bye",
			"1 adapter leg cleared: confirmed")
		h.atRest()
		h.quietly()
		rest.Store(true)
		m := h.adapter.Expect("NOTIFY")
		h.adapter.Respond(m, 200, "x", "")
		own := h.toAdapter.String()
		if want := "Messages-Waiting: yes\r\nMessage-Account: sip:" + adapterUser + "@" + own +
			"\r\nVoice-Message: 2/8 (0/2)\r\n"; m.Body != want ||
			m.Get("Event") != "message-summary" || m.Get("Subscription-State") != "active" ||
			m.Get("Content-Type") != "application/simple-message-summary" {
			t.Fatalf("told %s", m)
		}
		eventually(t, "the adapter's answer", func() bool { return h.agent.Counts().MessagesNotified == 1 })
		h.notify(summaryText) // an unchanged summary
		h.service.ExpectOf("200", "NOTIFY")
		h.quietly()
		state := &h.line.messageState
		state.mu.Lock()
		defer state.mu.Unlock()
		if !state.known || !state.last.waiting {
			t.Fatalf("known: %t, waiting: %t", state.known, state.last.waiting)
		}
		if n := h.agent.Counts().MessagesTaken; n != 2 {
			t.Fatalf("%d notifications of the service were counted; want 2", n)
		}
	})
}

// At the end of a call the adapter is notified at once, not only when the line is checked the next time.
func TestNotifyAtTheEndOfACall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass, func(_ *Options, times *times) { times.atRestPoll = time.Hour })
		rest.Store(true)
		c := h.incoming()
		h.notify(summaryText)
		h.service.ExpectOf("200", "NOTIFY")
		h.quietly()
		ended := time.Now()
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 200, "x", "")
		if after := time.Since(ended); after > time.Millisecond {
			t.Fatalf("notified after %v", after)
		}
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A call that comes during a NOTIFY is not delayed, and the NOTIFY is not retransmitted into it.
func TestCallDuringNotify(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass)
		rest.Store(true)
		h.notify(summaryText)
		h.service.ExpectOf("200", "NOTIFY")
		m := h.adapter.Expect("NOTIFY") // and no answer
		d := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		eventually(t, "the end of the telling", func() bool {
			h.line.messageState.mu.Lock()
			defer h.line.messageState.mu.Unlock()
			return h.line.messageState.stop == nil
		})
		before := h.adapter.Repeats.Load()
		h.adapter.Respond(inv, 180, "near", "") // so that the INVITE is not retransmitted
		h.service.Expect("180")
		select {
		case m := <-h.adapter.In:
			t.Fatalf("the adapter got %s", m)
		case <-time.After(120 * time.Millisecond): // retransmissions come after 25, 75 and 175 ms
		}
		if n := h.adapter.Repeats.Load() - before; n > 1 {
			t.Fatalf("%d retransmissions came during the call", n)
		}
		h.adapter.Respond(inv, 486, "near", "")
		h.adapter.Expect("ACK")
		d.AckFailure(h.service.Expect("486"))
		again := h.adapter.Expect("NOTIFY")
		if again.Get("Call-ID") == m.Get("Call-ID") || again.Body != m.Body {
			t.Fatalf("told %s", again)
		}
		h.adapter.Respond(again, 501, "x", "") // the adapter rejects it
		eventually(t, "the adapter's answer", func() bool {
			h.line.messageState.mu.Lock()
			defer h.line.messageState.mu.Unlock()
			return h.line.messageState.stop == nil
		})
		h.quietly()
	})
}

// Invalid requests are refused as in RFC 6665 section 8.3.2 and RFC 3261. If message waiting is off, all are refused.
func TestMessagesRefused(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass, quickDateCheck)
		rest.Store(true)
		for _, c := range []struct{ want, body, event, kind string }{
			{"489", summaryText, "Event: presence", summaryKind},
			{"489", summaryText, "X: y", summaryKind},
			{"415", summaryText, "Event: message-summary", "Content-Type: application/sdp"},
			{"413", summaryText + strings.Repeat("X: y\r\n", 2000), "Event: message-summary", summaryKind},
			{"400", "nothing", "o: message-summary", summaryKind},
			{"200", "", "Event: message-summary;id=1", "X: y"},
		} {
			h.notify(c.body, c.event, c.kind)
			m := h.service.ExpectOf(c.want, "NOTIFY")
			if c.want == "489" && m.Get("Allow-Events") != "message-summary" || c.want == "415" &&
				m.Get("Accept") == "" {
				t.Errorf("%+v got %s", c, m)
			}
		}
		h.quietly()
		off, _ := waiting(t, MessagesOff, quickDateCheck)
		off.notify(summaryText)
		off.service.ExpectOf("489", "NOTIFY")
	})
}

// subscribe sends a SUBSCRIBE of the adapter with credentials and returns the response.
func (h *testBed) subscribe(event string, extra ...string) (*uatest.Dialog, uatest.Message) {
	h.t.Helper()
	target := "sip:" + adapterUser + "@" + h.toAdapter.String()
	id := h.adapter.NewID()
	d := &uatest.Dialog{P: h.adapter, CallID: id, Local: "<" + target + ">;tag=" + id, Remote: "<" + target + ">",
		Target: target, To: h.toAdapter}
	extra = append(extra, "Event: "+event)
	d.Request("SUBSCRIBE", "", extra...)
	m := h.adapter.Expect("401")
	d.Request("SUBSCRIBE", "", append(extra, authorization(h.t, "Authorization", m.Get("WWW-Authenticate"), "SUBSCRIBE",
		target, adapterUser, adapterSecret))...)
	return d, h.adapter.Next()
}

// An adapter may subscribe (RFC 6665). It is challenged, and notified inside its dialog. Even the first NOTIFY waits
// until the line is at rest.
func TestAdapterSubscribes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass)
		for _, c := range []struct{ event, extra, want string }{
			{"dialog", "Expires: 600", "489"}, {"message-summary", "Expires: 30", "423"},
			{"message-summary", "Accept: text/plain", "406"},
		} {
			if _, m := h.subscribe(c.event, c.extra); !m.Is(c.want) {
				t.Fatalf("%+v got %s", c, m)
			}
		}
		d, ok := h.subscribe("message-summary;id=7", "Expires: 7200", "Accept: application/simple-message-summary")
		if !ok.Is("200") || ok.Get("Expires") != "3600" || !strings.Contains(ok.Get("To"), ";tag=") {
			t.Fatalf("got %s", ok)
		}
		d.Established(ok)
		h.quietly()
		rest.Store(true)
		told := func(state, waiting string) uatest.Message {
			t.Helper()
			m := h.adapter.Expect("NOTIFY")
			if m.Get("Call-ID") != d.CallID || m.Get("Event") != "message-summary;id=7" ||
				!strings.HasPrefix(m.Get("Subscription-State"), state) ||
				m.Get("From") != d.Remote || m.Get("To") != d.Local ||
				!strings.HasPrefix(m.Body, "Messages-Waiting: "+waiting) {
				t.Fatalf("told %s", m)
			}
			return m
		}
		h.adapter.Respond(told("active;expires=35", "no"), 200, "", "") // no summary is known yet
		h.notify(summaryText)
		h.service.ExpectOf("200", "NOTIFY")
		h.adapter.Respond(told("active", "yes"), 200, "", "")
		d.Request("SUBSCRIBE", "", "Event: message-summary;id=7", "Expires: 600")
		if m := h.adapter.ExpectOf("200", "SUBSCRIBE"); m.Get("Expires") != "600" {
			t.Fatalf("got %s", m)
		}
		h.adapter.Respond(told("active", "yes"), 200, "", "")
		d.RequestSeq("SUBSCRIBE", 1, "", "Event: message-summary")
		h.adapter.ExpectOf("500", "SUBSCRIBE")
		d.Request("SUBSCRIBE", "", "Event: message-summary;id=7", "Expires: 0")
		h.adapter.ExpectOf("200", "SUBSCRIBE")
		h.adapter.Respond(told("terminated;reason=timeout", "yes"), 200, "", "")
		eventually(t, "the end of the subscription", func() bool {
			h.agent.mu.Lock()
			defer h.agent.mu.Unlock()
			return len(h.agent.dialogs) == 0
		})
		d.Request("SUBSCRIBE", "", "Event: message-summary;id=7")
		h.adapter.ExpectOf("481", "SUBSCRIBE")
		// an adapter that forgot its subscription gets an unsolicited NOTIFY
		d, ok = h.subscribe("message-summary;id=7")
		d.Established(ok)
		h.adapter.Respond(told("active", "yes"), 481, "", "")
		m := h.adapter.Expect("NOTIFY")
		if m.Get("Call-ID") == d.CallID || m.Get("Event") != "message-summary" {
			t.Fatalf("told %s", m)
		}
		h.adapter.Respond(m, 200, "", "")
		off, _ := waiting(t, MessagesOff, quickDateCheck)
		if _, m := off.subscribe("message-summary"); !m.Is("489") {
			t.Fatalf("got %s", m)
		}
		for _, one := range []struct {
			h    *testBed
			says string
		}{{h, "message-summary"}, {off, ""}} {
			d.To = one.h.toAdapter
			(&uatest.Dialog{P: one.h.adapter, CallID: "ask", Local: "<sip:a@b>;tag=1", Remote: "<sip:a@b>", Target: "sip:" +
				d.To.String(), To: d.To}).Request("OPTIONS", "")
			m := one.h.adapter.ExpectOf("200", "OPTIONS")
			if m.Get("Allow-Events") != one.says || strings.Contains(m.Get("Allow"), "SUBSCRIBE") != (one.says != "") {
				t.Fatalf("able: %s", m)
			}
		}
	})
}

// We subscribe at the service (RFC 6665 section 4.1) with credentials. We refresh before the end, and subscribe again
// after a 481 and after an end that allows it, but not after one that forbids it. At the end we unsubscribe.
func TestSubscribesAtTheService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesSubscribe)
		rest.Store(true)
		sub := h.service.Expect("SUBSCRIBE")
		h.service.Respond(sub, 401, "svc", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		sub = h.service.Expect("SUBSCRIBE")
		credentials(t, sub, "Authorization", "SUBSCRIBE")
		if sub.Get("Event") != "message-summary" || sub.Get("Accept") != "application/simple-message-summary" ||
			sub.Get("Expires") != "3600" {
			t.Fatalf("sent %s", sub)
		}
		d := h.service.Called(sub, "svc")
		tell := func(state, body string) {
			t.Helper()
			d.Request("NOTIFY", body, "Event: message-summary", "Subscription-State: "+state, summaryKind)
			h.service.ExpectOf("200", "NOTIFY")
		}
		tell("active;expires=30", summaryText) // before the 200
		h.service.Respond(sub, 200, "svc", "", "Expires: 30")
		m := h.adapter.Expect("NOTIFY")
		contains(t, m.Body, "Voice-Message: 2/8 (0/2)")
		h.adapter.Respond(m, 200, "", "")
		<-time.After(27 * time.Second) // nine tenths
		refresh := h.service.Expect("SUBSCRIBE")
		if refresh.Get("Call-ID") != d.CallID || refresh.Get("To") != d.Local {
			t.Fatalf("refreshed by %s", refresh)
		}
		fork := *d
		fork.Local = strings.Replace(fork.Local, "tag=svc", "tag=other", 1)
		fork.Request("NOTIFY", summaryText, "Event: message-summary", "Subscription-State: active", summaryKind)
		h.service.ExpectOf("481", "NOTIFY")
		h.service.Respond(refresh, 481, "svc", "")
		again := h.service.Expect("SUBSCRIBE")
		if again.Get("Call-ID") == d.CallID {
			t.Fatalf("subscribed by %s", again)
		}
		d = h.service.Called(again, "svc")
		h.service.Respond(again, 200, "svc", "", "Expires: 3600")
		tell("active", summaryText)
		if err := h.agent.Close(); err != nil {
			t.Fatal(err)
		}
		end := h.service.Expect("SUBSCRIBE")
		if end.Get("Expires") != "0" || end.Get("Call-ID") != d.CallID {
			t.Fatalf("left by %s", end)
		}
	})
}

// RFC 6665 section 4.1.3 lists the reasons.
func TestSubscriptionEnds(t *testing.T) {
	t.Parallel()
	u := &subscriber{p: eventPackage{refused: time.Hour}}
	for in, want := range map[string]string{
		"active;expires=60": "goes on", "Pending": "goes on", "terminated": "0s", "terminated;reason=deactivated": "1s",
		"terminated;reason=timeout":                  "1s",
		"terminated;reason=probation;retry-after=90": "1m30s", "terminated;reason=giveup": "0s",
		"terminated; reason=rejected":                "1h0m0s",
		"terminated;reason=noresource;retry-after=7": "1h0m0s", "terminated;reason=invariant": "never",
		"terminated;retry-after=99999": "1h0m0s",
	} {
		got := "goes on"
		if err := u.terminated(in); err != nil {
			r := err.(*subscribeError)
			if got = fmt.Sprint(r.pause); r.never {
				got = "never"
			}
		}
		if got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}
