package sipua

import (
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
)

const reginfoKind = "Content-Type: application/reginfo+xml"

// reginfoText is the example of RFC 3680 section 5.3 with contacts of the Millrace Playhouse (from memory).
const reginfoText = `<?xml version="1.0"?>
<reginfo xmlns="urn:ietf:params:xml:ns:reginfo" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" version="0" state="full">
  <registration aor="sip:5550100@pbx.example" id="as9" state="active">
    <contact id="76" state="active" event="registered" duration-registered="7322" q="0.8">
      <uri>sip:box-office@192.0.2.20</uri>
    </contact>
    <contact id="77" state="terminated" event="expired" duration-registered="3600" q="0.5">
      <uri>sip:stage-door@192.0.2.21</uri>
    </contact>
  </registration>
</reginfo>`

// kamailioText is a document of kamailio 5.6.3 (pua_reginfo), as it sent it.
const kamailioText = `<?xml version="1.0"?>
<reginfo xmlns="urn:ietf:params:xml:ns:reginfo" version="0" state="full">
  <registration aor="sip:box@127.0.0.1" id="0x7fee78edccf8" state="active">
    <contact id="0x7fee78edce10" state="active" event="created" expires="60" callid="r1" cseq="1" received="" path="" user_agent="n/a">
      <uri>sip:box@127.0.0.1:15070</uri>
    </contact>
  </registration>
</reginfo>

`

func parseReginfo(text string) (*reginfo, error) {
	d := &reginfo{}
	return d, d.parse([]byte(text))
}

func TestReginfo(t *testing.T) {
	t.Parallel()
	partial := strings.Replace(reginfoText, `"full"`, `"partial"`, 1)
	for _, c := range []struct {
		text, user string
		want       contactState
		pause      time.Duration
	}{
		{reginfoText, "box-office", contactActive, 0},
		{reginfoText, "stage-door", contactGone, 0},
		{kamailioText, "box", contactActive, 0},
		{kamailioText, "box-office", contactMissing, 0},
		{reginfoText, "workshop", contactMissing, 0},
		{partial, "box-office", contactActive, 0},
		{partial, "workshop", contactUnknown, 0},
		{strings.Replace(partial, `event="expired"`, `event="probation" retry-after="90"`, 1), "stage-door", contactGone,
			90 * time.Second},
		// the same contact, registered anew before the old one is reported
		{strings.Replace(reginfoText, "stage-door", "box-office", 1), "box-office", contactActive, 0},
		{strings.Replace(reginfoText, `"active" event`, `"odd" event`, 1), "box-office", contactMissing, 0},
	} {
		d, err := parseReginfo(c.text)
		require.NoError(t, err)
		is, _, pause := d.stateOf(c.user)
		require.Equal(t, []any{c.want, c.pause}, []any{is, pause}, "%s in %s", c.user, c.text)
	}
	for _, text := range []string{"", "sip:box-office@192.0.2.20", reginfoText[:len(reginfoText)-12],
		strings.Replace(reginfoText, "ns:reginfo", "ns:other", 1), reginfoText + "<more/>",
		strings.Replace(reginfoText, "box-office", "&entity;", 1),
		strings.Replace(reginfoText, `<?xml version="1.0"?>`, `<!DOCTYPE reginfo [<!ENTITY e "e">]>`, 1),
		strings.Replace(reginfoText, `<?xml version="1.0"?>`, `<?xml version="1.0" encoding="UTF-7"?>`, 1)} {
		_, err := parseReginfo(text)
		require.Error(t, err, text)
	}
}

// FuzzReginfo checks that a document speaks of a contact only if it has its name.
func FuzzReginfo(f *testing.F) {
	f.Add(reginfoText)
	f.Fuzz(func(t *testing.T, text string) {
		d, err := parseReginfo(text)
		if err != nil {
			return
		}
		const user = "rose5550187"
		if is, _, _ := d.stateOf(user); (is == contactActive || is == contactGone) && !strings.Contains(text, "rose") &&
			!strings.Contains(text, "&") && !strings.Contains(text, "%") && !strings.Contains(text, "CDATA") {
			t.Fatalf("%d in %q", is, text)
		}
	})
}

func withRegEvents(_ *Options, times *times) { times.regEvents = 15 * time.Second }

// A service that says that it has removed the line's contact gets one REGISTER within 6 s, but not within a minute of
// the last one. Other contacts, a document that is none, a sender outside the service and a contact that was never
// listed cause none.
func TestServiceThatRemovesTheContact(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registeringAtServices, withRegEvents)
		next := func(want string) uatest.Message {
			t.Helper()
			m := <-h.service.In
			require.True(t, m.Is(want), "want %s, got %s", want, m)
			return m
		}
		register := next("REGISTER")
		grantAnHour(h.service, register)
		contact := uatest.URI(register.Get("Contact"))
		began := time.Now()
		sub := next("SUBSCRIBE")
		require.LessOrEqual(t, time.Since(began), 30*time.Second)
		require.Equal(t, []string{"reg", "application/reginfo+xml", "3600"},
			[]string{sub.Get("Event"), sub.Get("Accept"), sub.Get("Expires")})
		require.Equal(t, register.Get("To"), sub.Get("To"))
		d := h.service.Called(sub, "svc")
		h.service.Respond(sub, 200, "svc", "", "Expires: 3600")
		tell := func(want string, d *uatest.Dialog, body string, extra ...string) {
			t.Helper()
			d.Request("NOTIFY", body, append(extra, "Event: reg", "Subscription-State: active")...)
			d.P.ExpectOf(want, "NOTIFY")
		}
		say := func(state, contactState, event, contact string) {
			t.Helper()
			tell("200", d, fmt.Sprintf(`<reginfo xmlns="urn:ietf:params:xml:ns:reginfo" version="1" state=%q>`+
				`<registration aor="sip:a@b" id="1" state="active"><contact id="1" state=%q event=%q><uri>%s</uri></contact>`+
				`</registration></reginfo>`, state, contactState, event, contact), reginfoKind)
		}
		quiet := func() {
			t.Helper()
			<-time.After(3 * time.Minute)
			require.Empty(t, h.service.In)
		}
		other := "sip:5550199@192.0.2.30"
		say("full", "active", "registered", other) // a service that lists our contact by another name
		say("full", "active", "registered", contact)
		say("partial", "terminated", "expired", other)
		gone := `<reginfo xmlns="urn:ietf:params:xml:ns:reginfo" version="1" state="full"/>`
		stranger := *d
		stranger.P = h.join("stranger", "127.0.0.9")
		tell("403", &stranger, gone, reginfoKind)
		tell("489", d, gone, reginfoKind, "Event: presence")
		tell("415", d, gone, summaryKind)
		tell("413", d, gone+strings.Repeat(" ", maxReginfo), reginfoKind)
		tell("400", d, gone+"<", reginfoKind)
		tell("200", d, "")
		quiet()
		for i, event := range []string{"deactivated", "expired", "unregistered", "rejected", "missing"} {
			began := time.Now()
			say("partial", "active", "registered", contact)
			if event == "missing" {
				tell("200", d, gone, reginfoKind)
			} else {
				say("partial", "terminated", event, contact)
			}
			grantAnHour(h.service, next("REGISTER"))
			synctest.Wait()
			require.Less(t, time.Since(began), 6*time.Second)
			tell("200", d, gone, reginfoKind)
			say("partial", "terminated", event, contact) // once more, without having listed it
			if i > 0 {
				quiet()
				continue
			}
			say("partial", "active", "created", contact)
			say("partial", "terminated", event, contact)
			began = time.Now()
			grantAnHour(h.service, next("REGISTER"))
			require.GreaterOrEqual(t, time.Since(began), time.Minute-time.Second)
			quiet()
		}
		go h.service.Serve(func(m uatest.Message) { grantAnHour(h.service, m) })
	})
}

// A service that does not offer the package is asked once a day, and nothing is logged.
func TestServiceWithoutRegistrationEvents(t *testing.T) {
	t.Parallel()
	for _, code := range []int{403, 405, 489, 501} {
		synctest.Test(t, func(t *testing.T) {
			var logs *observer.ObservedLogs
			h := newVirtualTestBed(t, registeringAtServices, withRegEvents, observed(&logs))
			asked := 0
			h.service.Serve(func(m uatest.Message) {
				if m.Is("REGISTER") {
					grantAnHour(h.service, m)
					return
				}
				asked++
				h.service.Respond(m, code, "svc", "")
			})
			<-time.After(23 * time.Hour)
			synctest.Wait()
			require.Equal(t, 1, asked, code)
			<-time.After(8 * time.Hour)
			synctest.Wait()
			require.Equal(t, 2, asked, code)
			require.Zero(t, logs.FilterMessageSnippet("subscri").Len())
		})
	}
}

// notifier is a service that grants a subscription to the state of a registration.
type notifier struct {
	h             *testBed
	d             *uatest.Dialog
	contact       string
	registrations atomic.Int32
}

func newNotifier(h *testBed) *notifier {
	n := &notifier{h: h}
	h.service.Serve(func(m uatest.Message) {
		switch {
		case m.Is("REGISTER"):
			n.registrations.Add(1)
			n.contact = uatest.URI(m.Get("Contact"))
			grantAnHour(h.service, m)
		case m.Is("SUBSCRIBE"):
			n.d = h.service.Called(m, "svc")
			h.service.Respond(m, 200, "svc", "", "Expires: 3600")
		}
	})
	<-time.After(31 * time.Second)
	synctest.Wait()
	return n
}

// say says what has become of our contact with an id.
func (n *notifier) say(id, state string) {
	synctest.Wait()
	n.d.Request("NOTIFY", fmt.Sprintf(`<reginfo xmlns="urn:ietf:params:xml:ns:reginfo" version="1" state="partial">`+
		`<registration aor="sip:a@b" id="1" state="active"><contact id=%q state=%q event="shortened"><uri>%s</uri></contact>`+
		`</registration></reginfo>`, id, state, n.contact), "Event: reg", "Subscription-State: active", reginfoKind)
	synctest.Wait()
}

// A registrar that replaces the contact at each REGISTER, in either order, does not get one REGISTER after another.
func TestServiceThatReplacesTheContact(t *testing.T) {
	t.Parallel()
	for _, removedFirst := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, registeringAtServices, withRegEvents)
			n := newNotifier(h)
			n.say("1", "active")
			if removedFirst {
				n.say("1", "terminated")
				n.say("2", "active")
			} else {
				n.say("2", "active")
				n.say("1", "terminated")
			}
			<-time.After(10 * time.Minute)
			synctest.Wait()
			require.EqualValues(t, 1, n.registrations.Load())
			n.say("2", "terminated") // nothing hides a real end
			<-time.After(6 * time.Second)
			synctest.Wait()
			require.EqualValues(t, 2, n.registrations.Load())
		})
	}
}

// A service that removes and lists the contact all the time fills neither the log nor the memory.
func TestServiceThatRemovesTheContactAllTheTime(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h := newVirtualTestBed(t, registeringAtServices, withRegEvents, observed(&logs))
		n := newNotifier(h)
		for range 150 {
			n.say("1", "active")
			n.say("1", "terminated")
			<-time.After(2 * time.Second)
		}
		synctest.Wait()
		require.LessOrEqual(t, logs.FilterMessageSnippet("has removed the line's contact").Len(), 6)
		require.LessOrEqual(t, n.registrations.Load(), int32(6))
	})
}

// A service that ignores SUBSCRIBE, or grants a useless time, is asked once a day. If it may have ended the TCP
// connection instead of answering, the line registers there again.
func TestServiceThatCannotBearSubscribe(t *testing.T) {
	t.Parallel()
	for name, answer := range map[string]func(*testBed, uatest.Message){
		"silence": func(*testBed, uatest.Message) {},
		"a second": func(h *testBed, m uatest.Message) {
			h.service.Respond(m, 200, "svc", "", "Expires: 1")
		},
		"no NOTIFY": func(h *testBed, m uatest.Message) {
			h.service.Respond(m, 200, "svc", "", "Expires: 3600")
		},
	} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, registeringAtServices, withRegEvents)
			asked := map[string]bool{} // by Call-ID; read when all is quiet
			var registrations atomic.Int32
			h.service.Serve(func(m uatest.Message) {
				if m.Is("REGISTER") {
					registrations.Add(1)
					grantAnHour(h.service, m)
					return
				}
				asked[m.Get("Call-ID")] = true
				answer(h, m)
			})
			<-time.After(50 * time.Minute)
			synctest.Wait()
			require.EqualValues(t, 1, registrations.Load(), name)
			<-time.After(22 * time.Hour)
			synctest.Wait()
			require.Len(t, asked, 1, name)
			s := h.line.accounts[0]
			before := registrations.Load()
			<-time.After(2 * time.Minute)
			s.Registrar.UriParams.Add("transport", "tcp")
			u := &subscriber{s: s, p: eventPackage{optional: true}, d: dialog{remote: &sip.ToHeader{}}}
			require.Error(t, u.unanswered(t.Context(), io.EOF))
			<-time.After(6 * time.Second)
			synctest.Wait()
			require.Equal(t, before+1, registrations.Load(), name)
		})
	}
}
