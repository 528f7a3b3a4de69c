package dialplan

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func plan(t testing.TB, o Options) *Plan {
	t.Helper()
	p, err := New(o)
	require.NoError(t, err)
	return p
}

// The national dialling rules are from memory of the numbering plans. The numbers are fictitious.
func TestNumbersOfOtherCountries(t *testing.T) {
	for country, calls := range map[string]struct{ home, abroad string }{
		"GB": {
			home: "5550101 01632960101 +441632960101 00441632960101 +44(0)1632-960101 202 0 1 2001234 14101632960101 *3101632 #31#01632960101 0800123456 +4401632960101 " +
				"00123 0012345 *98 *#06# alice",
			abroad: "+4930123456 004930123456 00-49-30-123456 0049(30)123456 (00)4930123456 00.49.30.123456 +49%2030123456 %2B4930123456 %30%30" +
				"4930123456 %2530%25304930123456 1410049301234 1470004930123456 #31#004930123456 *31#+4930123456 *31*004930123456# *67004930123456 " +
				"*272004930123456 *21*004930123456# **21*004930123456*11# 1280004930123456 0049301p23456 tel:+4930123456 tel:30123456;phone-context=+49 " +
				"tel:30123456;phone-context=%2b49 30123456;phone-context=+49 sip:004930123456@pbx.millrace.example 5550101;rn=+4930123456 " +
				"5550101;npdi;rn=004930123456 +004930123456 +44004930123456 0+4930123456 +353480123 0035348555010 +88213123456 callto:004930123456 " +
				"callto://004930123456 004930123456@pbx ++4930123456 00123456 +49",
		},
		"US": {
			home:   "5550101 2125550101 12125550101 +12125550101 *6718005550100 *678005550100 01112125550101 4165550101 1876555 8765550 1876 02125550101 16715550101",
			abroad: "18765550101 8765550101 +18765550101 08765550101 01118765550101 0114930123456 014930123456 +4930123456 *670114930123456 11670114930123456 10102220114930123456 *6718765550101 0018765550101",
		},
		"CA": {home: "+12125550101 4165550101", abroad: "12685550101"},
		"RU": {home: "+74955550101 84955550101 88005550101 89115550101",
			abroad: "+77175550101 87175550101 81049301234 0077175550101"},
		"FR": {home: "0155550101 +33155550101 0033155550101 4012",
			abroad: "+590590555010 0590555010 0033590555010 3651004930123456 16100049301234"},
		"IE": {home: "015550101", abroad: "04855550101 +442855550101"},
		"SG": {home: "65550101 +6565550101", abroad: "020365550101 0016065550101 0181234567"},
		"MY": {home: "0365550101", abroad: "0265550101"},
		"DE": {home: "0305550101 +49305550101 0049305550101", abroad: "0044163296010 010130044163296010 +441632960101"},
		"IT": {home: "065550101 +39065550101 0039065550101 102", abroad: "+37805495550"},
		"JP": {home: "0355550101 +81355550101", abroad: "010491234567 0033010491234567 184010491234567"},
	} {
		p := plan(t, Options{Country: country})
		for _, n := range strings.Fields(calls.home) {
			require.Empty(t, p.Judge(n), "%s %s", country, n)
		}
		for _, n := range strings.Fields(calls.abroad) {
			require.Equal(t, International, p.Judge(n), "%s %s", country, n)
		}
	}
	gb := plan(t, Options{Country: "GB"})
	require.Equal(t, International, gb.Judge("00 49 30 12 34 56"))
	require.Equal(t, International, gb.Judge(strings.Repeat("5", 300)), "no number is so long")
	many := ""
	for i := range 40 {
		many += fmt.Sprint("+44", 100+i)
	}
	require.Equal(t, International, gb.Judge(many), "nor is any dialled so")
	require.Empty(t, plan(t, Options{Country: "GB", International: true}).Judge("004930123456"))
}

// What follows a semicolon and is not named like a parameter may be the number that a service reads, alone or with what
// is before it (found by random numbers). A parameter decides nothing, rn apart (RFC 4694).
func TestNumberWhereAParameterShouldBe(t *testing.T) {
	strict := plan(t, Options{Country: "GB", Allow: []string{"2xx", "5550101"}})
	open := plan(t, Options{Country: "GB", Deny: []string{"2205550101"}})
	for _, rest := range []string{"%3B+4930123456", ";+4930123456", "%3B004930123456", ";=+4930123456", ";p+4930123456",
		";p004930123456", ";user=phone;+4930123456=1", "; +4930123456"} {
		require.Equal(t, International, strict.Judge("sip:220"+rest+"@pbx.test"), rest)
		require.Equal(t, International, open.Judge("sip:220"+rest+"@pbx.test"), rest)
	}
	require.Equal(t, NotAllowed, strict.Judge("sip:220;5550101@pbx.test"), "which of the two a service reads is not certain")
	require.Equal(t, Denied, open.Judge("sip:220;5550101@pbx.test"))
	for _, rest := range []string{"", ";", ";;", "; user=phone", ";isub=1411", ";trunk-context=+44", ";npdi;Tgrp=4930123456"} {
		require.Empty(t, strict.Judge("sip:220"+rest+"@pbx.test"), rest)
	}
}

// An outside-line prefix does not hide a number. Where the prefix is 0, 0030 is 0 and 030 (Berlin), and 00030 is 0 and
// 0030 (Greece).
func TestOutsideLinePrefix(t *testing.T) {
	nine, zero := plan(t, Options{Country: "GB", Prefixes: []string{"9"}}),
		plan(t, Options{Country: "DE", Prefixes: []string{"0"}})
	require.Empty(t, nine.Judge("901632960101"))
	require.Equal(t, International, nine.Judge("9004930123456"))
	require.Equal(t, International, nine.Judge("004930123456"), "without it too")
	require.Equal(t, International, nine.Judge("99999999"+"5550101"), "more prefixes than anybody dials")
	require.Empty(t, zero.Judge("00305550101"))
	require.Equal(t, International, zero.Judge("000441632960101"))
	require.Equal(t, International, zero.Judge("0+441632960101"))
	require.Equal(t, International, zero.Judge("+441632960101"))
	for _, code := range []string{"*67", "*31", "*315", "*31#", "*21*"} { // no outside-line prefix follows a code
		require.Equal(t, International, zero.Judge(code+"00441632960101"), code)
		require.Empty(t, zero.Judge(code+"0305550101"), code)
	}
	two := plan(t, Options{Country: "FR", Prefixes: []string{"9", "99"}, Allow: []string{"0*"}})
	require.Equal(t, NotAllowed, two.Judge("99499555558"), "which of the two prefixes a service reads is not certain")
}

func TestPatterns(t *testing.T) {
	for _, c := range []struct {
		o     Options
		calls map[string]Refusal
	}{
		{Options{Country: "GB", Prefixes: []string{"9"}, Allow: []string{"5550xxx", "1x", "0800*"},
			Deny: []string{"5550199"}}, map[string]Refusal{
			"5550101": "", "95550101": "", "*675550101": "", "*31#5550101": "", "12": "", "0800123": "",
			"+44800123": "", "0044800123": "",
			"5550199": Denied, "95550199": Denied, "*675550199": Denied, "99 5550199": Denied,
			"995550101": NotAllowed, "5551101": NotAllowed, "123": NotAllowed, "1": NotAllowed, "080": NotAllowed,
			"alice": NotAllowed, "5550101p": NotAllowed,
			"*315550101":       NotAllowed, // *31 or *315
			"1280" + "5550101": NotAllowed, "+49800123": International, "": NotAllowed,
			// two numbers, one of which is allowed
			"01632960101*5550101": NotAllowed, "01632960101#5550101": NotAllowed, "*01632960101*5550101": NotAllowed,
			"*2101632960101#5550101":  NotAllowed,
			"*21*01632960101*5550101": NotAllowed, "**21*01632960101*11#": NotAllowed,
			"5550101*01632960101": NotAllowed, "112*5550101": NotAllowed,
			"5550101;rn=01632960101": NotAllowed, "5550101; RN=01632960101": NotAllowed, "5550101;npdi": "",
			"tel:5550101:01632960101": NotAllowed, "tel:5550101:004930123456": International,
		}},
		{Options{Country: "GB", Deny: []string{"0900*", "*98#", "*72*", "0049*"}, International: true},
			map[string]Refusal{
				"0900123": Denied, "+44900123": Denied, "1280" + "0900123": Denied, "*98#": Denied,
				"*725550101": Denied,
				"+4930123":   Denied, "*98": "", "0033123456": "",
			}},
		{Options{Country: "US", Deny: []string{"1900*", "976xxxxxxx", "0049*"}, International: true},
			map[string]Refusal{
				"9005550101": Denied, "19005550101": Denied, "+19005550101": Denied, "19765550101": Denied,
				"01119765550101": Denied, "0114930123": Denied, "9015550101": "",
			}},
		{Options{Country: "GB", Deny: []string{"x98"}}, map[string]Refusal{"198": Denied, "*98": "", "#98": ""}},
		{Options{Country: "GB", Deny: []string{"*"}, International: true},
			map[string]Refusal{"1": Denied, "alice": Denied, "": Denied, "+44": Denied}},
		{Options{Country: "GB", Allow: []string{"*"}}, map[string]Refusal{"1": "", "alice": "",
			"01632960101*5550101": "", "5550101;rn=01632960101": "", "004930123456": International}},
		{Options{Country: "GB", Allow: []string{"15550101"}, International: true},
			map[string]Refusal{"1+5550101": NotAllowed, "15550101": ""}},
		{Options{Country: "GB", Allow: []string{"0033*"}, International: true},
			map[string]Refusal{"+33155550101": "", "0033155550101": "", "+34155550101": NotAllowed}},
	} {
		p := plan(t, c.o)
		for number, want := range c.calls {
			require.Equal(t, want, p.Judge(number), "%q by %+v", number, c.o)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	for want, o := range map[string]Options{
		`country "XX": its country calling code`: {Country: "XX"},
		`allow[1]: "+44" is no pattern`: {Country: "GB",
			Allow: []string{"1", "+44"}},
		`deny[0]: "" is no pattern`: {Country: "GB", Deny: []string{""}},
		`deny[0]: "` + strings.Repeat("1", 33) + `" is no pattern`: {Country: "GB",
			Deny: []string{strings.Repeat("1", 33)}},
		`allow[0]: "555x" allows nothing, since deny has "55*"`: {Country: "GB", Allow: []string{"555x"},
			Deny: []string{"1", "55*"}},
		`allow[0]: "0049x" allows nothing, since it has only numbers of an`: {Country: "GB", Allow: []string{"0049x"}},
		`allow[0]: "01144*" allows nothing`:                                 {Country: "US", Allow: []string{"01144*"}},
		`allow[0]: "1876xxxxxxx" allows nothing`: {Country: "US",
			Allow: []string{"1876xxxxxxx"}},
	} {
		_, err := New(o)
		require.ErrorContains(t, err, want)
	}
	for _, o := range []Options{
		{Country: "GB", Allow: []string{"555x"}, Deny: []string{"5551", "555", "555xx", "x55x5", "55"}},
		{Country: "GB", Allow: []string{"55*"}, Deny: []string{"55x*", "55"}},
		{Country: "GB", Allow: []string{"00*", "004*", "0044*", "00xx1*", "*"}},
		{Country: "GB", Allow: []string{"0049*"}, International: true},
		{Country: "DE", Prefixes: []string{"0"}, Allow: []string{"0030*"}},
	} {
		_, err := New(o)
		require.NoError(t, err)
	}
}

func TestCallingCode(t *testing.T) {
	require.Equal(t, "44", plan(t, Options{Country: "GB"}).CallingCode())
}
