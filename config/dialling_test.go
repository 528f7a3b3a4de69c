package config

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/dialplan"
)

func TestDefaultsOfCallersAndDialling(t *testing.T) {
	l := parsed(t, small).Lines[0]
	require.Equal(t, Dial{}, l.Dial)
	require.Equal(t, 4, l.Calls)
	require.Equal(t, []string{"MD5"}, l.Adapter.Algorithms())
	require.Equal(t, "pass", l.Adapter.Transfer)
	require.Equal(t, 30*time.Minute, l.Service.SessionExpires)
	require.Equal(t, "pass", l.Service.MessageWaiting)
	require.Nil(t, l.Service.Second)
	require.Empty(t, l.Service.AllowFrom, "a line that registers is found by its contact alone")
}

func TestCallersAndDialling(t *testing.T) {
	c := parsed(t, strings.Replace(with("    calls: 1\n    dial: {allow: [555xxxx, \"0049*\"], deny: [5550199], international: true}\n"),
		"user: 5550101, password: {credential: door}",
		`user: 5550101, password: {credential: door}, allow_from: [192.0.2.48/28], session_expires: 0s,
      message_waiting: subscribe, second: {registrar: "sip:192.0.2.5:5080", user: 201, register: false}`, 1)+
		"    calls: 20\n")
	first, other := c.Lines[0], c.Lines[1]
	require.Equal(t, 1, first.Calls)
	require.Equal(t, 20, other.Calls)
	require.Equal(t, Dial{Allow: []string{"555xxxx", "0049*"}, Deny: []string{"5550199"}, International: true},
		first.Dial)
	require.Equal(t, []netip.Prefix{netip.MustParsePrefix("192.0.2.48/28")}, first.Service.AllowFrom)
	require.Zero(t, first.Service.SessionExpires)
	require.Equal(t, "subscribe", first.Service.MessageWaiting)
	require.Equal(t, &Service{Registrar: "sip:192.0.2.5:5080", User: "201", AuthUser: "201", Expires: time.Hour,
		AllowFrom: []netip.Prefix{netip.MustParsePrefix("192.0.2.5/32")}}, first.Service.Second)
	p, err := c.DialPlan(&first)
	require.NoError(t, err)
	require.Equal(t, []dialplan.Refusal{"", "", dialplan.Denied, dialplan.NotAllowed},
		[]dialplan.Refusal{p.Judge("5550101"), p.Judge("+4930123456"), p.Judge("5550199"), p.Judge("+33155550101")})
	c = parsed(t, strings.Replace(small, "0101, password: {env: PASSWORD}",
		"0101, password: {env: PASSWORD}, digest: [sha-256, md5], transfer: refuse", 1))
	require.Equal(t, []string{"SHA-256", "MD5"}, c.Lines[0].Adapter.Algorithms())
	require.Equal(t, "refuse", c.Lines[0].Adapter.Transfer)
}

// Without a registration, calls come from the address that requests go to.
func TestAllowFromDefaultsToServiceAddress(t *testing.T) {
	for account, want := range map[string]string{
		`registrar: "sip:192.0.2.5"`:                                       "192.0.2.5/32",
		`registrar: "sip:192.0.2.5:5080;transport=tcp"`:                    "192.0.2.5/32",
		`registrar: "sip:[2001:db8::5]:5060"`:                              "2001:db8::5/128",
		`registrar: "sip:pbx.millrace.example", proxy: "192.0.2.6:5060"`:   "192.0.2.6/32",
		`registrar: "sip:192.0.2.5", proxy: "[2001:db8::6]:5060"`:          "2001:db8::6/128",
		`registrar: "sip:192.0.2.5", allow_from: [192.0.2.0/25]`:           "192.0.2.0/25",
		`registrar: "sip:pbx.millrace.example", allow_from: [192.0.2.128]`: "192.0.2.128/32",
	} {
		c := parsed(t, strings.Replace(small,
			`registrar: "sip:pbx.millrace.example", user: 5550101, password: {credential: door}`,
			account+", user: 5550101, register: false", 1))
		require.Equal(t, []netip.Prefix{netip.MustParsePrefix(want)}, c.Lines[0].Service.AllowFrom, account)
	}
}

// A second account may be the first one with another proxy.
func TestSecondServiceBehindAnotherProxy(t *testing.T) {
	c := parsed(t, strings.Replace(small, "user: 5550101, password: {credential: door}",
		`user: 5550101, password: {credential: door}, second: {registrar: "sip:pbx.millrace.example", user: 5550101, password: {credential: door}, proxy: "spare.millrace.example:5060"}`,
		1))
	require.Equal(t, "curtain-44", c.Lines[0].Service.Second.Password.Reveal())
	require.True(t, c.Lines[0].Service.Second.Register)
}

func TestDescribeDialling(t *testing.T) {
	for keys, want := range map[string]string{
		"": "line box-office: may call every number; numbers in other countries are refused (dial.international): those that begin with + or an international prefix, but not with +44 (emergency.outside_prefixes is empty, so they are not recognised after a digit for an outside line). Emergency numbers are always allowed.",
		"    dial: {allow: [555xxxx, 1xx], deny: [5550199]}\nemergency: {outside_prefixes: ['9']}": "line box-office: may call only 555xxxx 1xx, except 5550199; numbers in other countries are refused (dial.international): those that begin with + or an international prefix, but not with +44, also after 9 for an outside line. Emergency numbers are always allowed.",
		"    dial: {international: true, deny: ['0900*']}":                                         "line box-office: may call every number, except 0900*, in other countries too. Emergency numbers are always allowed.",
		"    dial: {deny: ['*']}\n    location: Stage door, Millrace Lane 7":                       "line box-office: may call emergency numbers, and nothing else (dial.deny). Its location: Stage door, Millrace Lane 7.",
		"    dial: {deny: ['*']}": "line box-office: may call emergency numbers, and nothing else (dial.deny).",
	} {
		keys, top, _ := strings.Cut(keys, "\n")
		if strings.HasPrefix(top, " ") {
			keys, top = keys+"\n"+top, ""
		}
		text := with(keys+"\n") + top + "\n"
		require.Equal(t, want, DescribeDialling(parsed(t, text))[0])
	}
}

func TestDiallingAndPortWarnings(t *testing.T) {
	warned := func(text string) string { return strings.Join(Warnings(parsed(t, text)), "\n") }
	require.NotContains(t, warned(small), "dial.deny")
	require.Contains(t, warned(with("    dial: {deny: ['999', '0900*']}\n")),
		"line box-office: dial.deny has the emergency number 999, which is always allowed")
	require.NotContains(t, warned(small), "media.ports")
	require.NotContains(t, warned(small+"media: {ports: 30000-30015}\n"), "media.ports",
		"four calls of the line that relays")
	require.Contains(t, warned(small+"media: {ports: 30000-30013}\n"),
		"media.ports is enough for 3 calls at once, but all lines together may have 4")
}

// Every country that has emergency numbers also has a calling code.
func TestEveryCountryHasADialPlan(t *testing.T) {
	for _, code := range supervision.Countries() {
		_, err := (&Config{Country: code}).DialPlan(&Line{})
		require.NoError(t, err)
	}
}
