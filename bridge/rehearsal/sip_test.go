package rehearsal

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/supervision/keysystem"
)

// testLine is a PBX with one line of an adapter and one far end, without a daemon.
type testLine struct {
	pbx       *pbx
	lineModel *lineModel
	port      *port
	far       *phone
	tl        *timeline
}

func newTestLine(t *testing.T, password string) *testLine { return newTestLineOf(t, password, parts()) }

func newTestLineOf(t *testing.T, password string, model keysystem.Options) *testLine {
	h := &testLine{tl: &timeline{}}
	var err error
	h.pbx, err = openPBX()
	require.NoError(t, err)
	t.Cleanup(h.pbx.close)
	h.pbx.addLine("555-0101", "at-the-pbx")
	h.lineModel, err = newLineModel(model, func(at time.Time, who,
		text string) {
		h.tl.add(at, "box-office", who, text)
	})
	require.NoError(t, err)
	t.Cleanup(h.lineModel.close)
	h.port, err = openPort(outbound{at: h.pbx.addr, domain: domain, user: "555-0101", password: password}, h.lineModel,
		habit{}, 0,
		func(text string) { h.tl.add(time.Now(), "box-office", "adapter", text) })
	require.NoError(t, err)
	t.Cleanup(h.port.close)
	h.far, err = openPhone("555-0151", h.pbx, func(text string) { h.tl.add(time.Now(), "555-0151", "far end", text) })
	require.NoError(t, err)
	t.Cleanup(h.far.close)
	return h
}

func (h *testLine) until(t *testing.T, what string, so func() bool) {
	t.Helper()
	require.NoError(t, await(t.Context(), 4*time.Second, so), what)
}

func (h *testLine) registered(t *testing.T) *testLine {
	h.until(t, "registered", func() bool { ok, _ := h.port.bound(); return ok })
	return h
}

func TestPortRegistersWithItsPasswordOnly(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	require.True(t, h.pbx.bound("555-0101"))
	h.port.ua.ask(func() { h.port.register(0) })
	h.until(t, "taken away", func() bool { return !h.pbx.bound("555-0101") })

	h = newTestLine(t, "wrong")
	h.until(t, "refused", func() bool { _, trouble := h.port.bound(); return trouble != "" })
	require.False(t, h.pbx.bound("555-0101"))
}

// A final response that is repeated, because a slow server got the request twice, is handled once (RFC 3261 sections
// 17.1.1.2 and 17.1.2.2). Otherwise a 401 to REGISTER would be answered twice with the same nonce, and the second
// answer would be refused. Each 2xx to an INVITE is handled (section 13.2.2.4), and each provisional response.
func TestARepeatedFinalResponseIsHandledOnce(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		method       string
		code, handle int
	}{{"REGISTER", 401, 1}, {"BYE", 200, 1}, {"INVITE", 486, 1}, {"INVITE", 200, 2}, {"INVITE", 180, 2}} {
		u, err := openUA("555-0101", nil, nil)
		require.NoError(t, err)
		n := 0
		u.ask(func() {
			u.drop = func(*message) bool { return true }
			req := &message{start: c.method + " sip:555-0151@192.0.2.1 SIP/2.0"}
			req.add("Via", u.via())
			req.add("CSeq", "1 "+c.method)
			u.start(req, u.addr, func(*message) { n++ })
			u.response(req.reply(c.code, reason(c.code), "far"))
			u.response(req.reply(c.code, reason(c.code), "far"))
		})
		u.close()
		require.Equal(t, c.handle, n, "%s %d", c.method, c.code)
	}
}

// A port of the adapter hangs up when it sees the line on hook, and answers OPTIONS by hook state (RFC 3261 section
// 11.2).
func TestPortFollowsTheHook(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	require.NoError(t, h.far.dial("555-0101"))
	h.until(t, "rings", func() bool { return h.lineModel.state().Lamp == keysystem.Flash })
	require.Equal(t, 486, h.available())
	h.lineModel.lift(telephoneSet)
	h.until(t, "talk", func() bool { return h.far.is(phoneTalking) && h.far.heard() > 1 && h.port.heard() > 1 })
	h.lineModel.hangUp(telephoneSet)
	h.until(t, "the far end is cleared", func() bool { return h.far.is(phoneCleared) })
	require.Equal(t, "BYE", h.far.ending())
	h.until(t, "free again", func() bool { return h.available() == 200 })
}

func (h *testLine) available() (code int) {
	h.port.ua.ask(func() { code = h.port.available() })
	return code
}

// A port continues to feed the loop when the far end has gone, which is the problem that the daemon solves.
func TestPortDoesNotInterrupt(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	h.lineModel.lift(telephoneSet)
	h.until(t, "off hook", func() bool { return h.available() == 486 })
	require.NoError(t, h.port.dial("555-0151"))
	h.until(t, "talk", func() bool { return h.far.is(phoneTalking) && h.port.inCall() })
	h.far.hangUp()
	h.until(t, "the call is gone", func() bool { return !h.port.inCall() })
	require.True(t, h.lineModel.state().Current)
	require.Equal(t, 486, h.available())
	require.NoError(t, h.far.dial("555-0101"))
	h.until(t, "busy", func() bool { return h.far.ending() == "486" })
}

func TestPortCallsOnlyOffHook(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	require.ErrorContains(t, h.port.dial("555-0151"), "on hook")
}

// CANCEL before the answer ends the ringing (RFC 3261 section 9.2). The INVITE gets 487.
func TestFarEndGivesUp(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	require.NoError(t, h.far.dial("555-0101"))
	h.until(t, "rings", func() bool { return h.far.is(phoneRinging) })
	h.far.hangUp()
	h.until(t, "no call", func() bool { return h.available() == 200 })
	h.until(t, "487", func() bool { _, ok := h.tl.find("box-office", "adapter", "sends 487 to INVITE"); return ok })
}

// A lost response to BYE is sent again when the BYE is retransmitted (RFC 3261 section 17.1.2.2: after T1).
func TestALostAnswerIsRepeated(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	require.NoError(t, h.far.dial("555-0101"))
	h.until(t, "rings", func() bool { return h.lineModel.state().Lamp == keysystem.Flash })
	h.lineModel.lift(telephoneSet)
	h.until(t, "talk", func() bool { return h.far.is(phoneTalking) && h.port.inCall() })
	h.port.loseByeResponses(true)
	h.far.hangUp()
	sent := time.Now()
	h.until(t, "lost", func() bool { _, ok := h.tl.find("box-office", "adapter", "this response is lost"); return ok })
	_, came := h.tl.find("555-0151", "far end", "gets 200 to BYE")
	require.False(t, came, "the response was lost")
	h.port.loseByeResponses(false)
	h.until(t, "answered", func() bool { _, ok := h.tl.find("555-0151", "far end", "gets 200 to BYE"); return ok })
	require.Greater(t, time.Since(sent), t1-50*time.Millisecond)
}

func TestPBXRefuses(t *testing.T) {
	h := newTestLine(t, "at-the-pbx").registered(t)
	for number, code := range map[string]string{"555-0198": "404", "555-0102": "480"} {
		h.pbx.addLine("555-0102", "never registers")
		require.NoError(t, h.far.dial(number))
		h.until(t, code, func() bool { return h.far.ending() == code })
	}
	h.port.ua.ask(func() { h.port.ua.login.password = "wrong" })
	h.lineModel.lift(telephoneSet)
	h.until(t, "off hook", func() bool { return h.available() == 486 })
	require.NoError(t, h.port.dial("555-0151"))
	h.until(t, "no call with a wrong password", func() bool {
		_, ok := h.tl.find("box-office", "adapter", "gets 407")
		return !ok && !h.portHasCall()
	})
	require.False(t, h.far.is(phoneTalking))
}

func (h *testLine) portHasCall() (ok bool) {
	h.port.ua.ask(func() { ok = h.port.call != nil })
	return ok
}

// Another SIP implementation can read the messages written here, and vice versa (RFC 3261 section 7).
func TestMessagesAgainstAnotherParser(t *testing.T) {
	text := strings.ReplaceAll(`INVITE sip:555-0101@192.0.2.1:5070 SIP/2.0
v: SIP/2.0/UDP 192.0.2.9:5060;branch=z9hG4bKa, SIP/2.0/UDP 192.0.2.8;branch=z9hG4bKb;rport
Record-Route: <sip:192.0.2.9;lr>,
 <sip:192.0.2.10;lr>
f: "Caller, first" <sip:555-0151@pbx.millrace.example>;tag=x
To: <sip:555-0101@pbx.millrace.example;user=phone>
i: 1@192.0.2.9
CSeq: 7 INVITE
Max-Forwards: 70
m: <sip:555-0151@192.0.2.9:5062>;expires=60
Content-Length: 4

abcdefg`, "\n", "\r\n")
	m, err := parse([]byte(text))
	require.NoError(t, err)
	require.Equal(t, "INVITE", m.method())
	require.Equal(t, "z9hG4bKa", m.branch())
	require.Len(t, m.all("Via"), 2)
	require.Equal(t, []string{"<sip:192.0.2.9;lr>", "<sip:192.0.2.10;lr>"}, m.all("record-route"))
	require.Equal(t, "x", param(m.get("From"), "tag"))
	require.Empty(t, param(m.get("To"), "user"), "that is the URI's")
	require.Equal(t, "abcd", string(m.body))
	at, ok := addrOf(uriOf(m.get("Contact")))
	require.True(t, ok)
	require.Equal(t, netip.MustParseAddrPort("192.0.2.9:5062"), at)

	res := m.reply(200, "OK", "mine")
	res.add("Contact", "<sip:x@127.0.0.1:5060>")
	res.body = []byte("v=0")
	other, err := sip.NewParser().ParseSIP(res.bytes())
	require.NoError(t, err)
	read, ok := other.(*sip.Response)
	require.True(t, ok)
	require.Equal(t, 200, read.StatusCode)
	tag, _ := read.To().Params.Get("tag")
	require.Equal(t, "mine", tag)
	require.Equal(t, "7 INVITE", read.CSeq().Value())
	require.Equal(t, "v=0", string(read.Body()))

	for _, bad := range []string{"", "INVITE sip:x SIP/2.0\r\n\r\n", "nonsense\r\nVia: x\r\n\r\n",
		strings.Replace(text, "CSeq", "C", 1), strings.Replace(text, "i: 1", "no colon", 1)} {
		_, err := parse([]byte(bad))
		require.ErrorIs(t, err, errMessage)
	}
}
