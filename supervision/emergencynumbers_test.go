package supervision

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func numbers(t *testing.T, country string, prefixes, additional []string) *Numbers {
	t.Helper()
	n, err := NewNumbers(NumbersOptions{Country: country, Prefixes: prefixes, Additional: additional})
	require.NoError(t, err)
	return n
}

func TestEmergencyForms(t *testing.T) {
	n := numbers(t, "GB", []string{"9"}, []string{"555-0199"})
	for _, s := range []string{
		"999", "112", "911", "9999", "9112", " 999 ", "999#", "9-9-9", "+112", "5550199", "95550199",
		"sip:999@pbx.millrace.example", "SIP:112@pbx.millrace.example;user=phone",
		"sips:999;phone-context=pbx.millrace.example@192.0.2.1:5061",
		"sip:9%39%39@pbx.millrace.example", "sip:99%39@pbx.millrace.example", "sip:999:lobby@pbx.millrace.example",
		"sip:+112@pbx.millrace.example", "sip:999%23@pbx.millrace.example",
		"tel:112", "tel:9-9-9;phone-context=+44", "tel:+112", "TEL:(999)",
		// RFC 5031 section 4.2: the sos service and its sub-services; URNs of services compare without regard to case.
		"urn:service:sos", "urn:service:sos.fire", "URN:SERVICE:SOS.ambulance", "urn:service:sos.animal-control",
	} {
		assert.True(t, n.Emergency(s), s)
	}
	for _, s := range []string{
		"", "9", "99", "1120", "0112", "99999", "555-0101", "sip:pbx.millrace.example",
		"sip:box-office@pbx.millrace.example", "sip:999.millrace.example",
		"sip:1120@pbx.millrace.example", "tel:", "tel:1999", "urn:service:sosa", "urn:service:counseling",
		"urn:service", "mailto:112@millrace.example",
		"sip:99%3@pbx.millrace.example", "sip:99%zz@pbx.millrace.example", "sip:99%2539@pbx.millrace.example",
		"sip:99%@pbx.millrace.example", "#", "+", "112*", "*112", "x112", "http:112",
	} {
		assert.False(t, n.Emergency(s), s)
	}
}

// An emergency call is dialled with the digits as the caller dialled them, or with the URN, and nothing else. The codes
// that withhold or show a number, and the prefixes for an outside line, are from memory of the national numbering
// plans.
func TestDial(t *testing.T) {
	for _, c := range []struct {
		country    string
		prefixes   []string
		additional []string
		dials      map[string]string
	}{
		{"GB", nil, []string{"555-0199"}, map[string]string{
			"999": "999", "112": "112", "911": "911", "5550199": "5550199", " 1-1.2 ": "112",
			" sip:112@192.0.2.1": "112", "1-4-1 999": "999", "(112)": "112", "+112": "112", "112#": "112",
			"112##":             "112",
			"sip:112@192.0.2.1": "112", "SIPS:112@[2001:db8::1]:5061;user=phone": "112", "sip:%31%31%32@h": "112",
			"sip:11%32%23@h": "112", "sip:1%2D12@h": "112", "sip:%2B112@h": "112",
			"sip:112;rn=+4930123456@h": "112", "sip:112%3Brn=004930123456@h": "112",
			"sip:112%3brn=004930123456@h": "112", "sip:112:004930123456@h": "112",
			"sip:112;phone-context=+49@h": "112", "tel:112;rn=+4930123456": "112",
			"tel:112;phone-context=+4930123456": "112", "TEL:1-1-2;isub=49": "112",
			"sip:112@h;x=004930123456?To=004930123456": "112",
			"*31#112": "112", "#31#112": "112", "*31*112": "112", "*31*112#": "112", "*67112": "112", "*67-112": "112",
			"*82999": "999", "141999": "999", "1470112": "112", "141 999": "999",
			"sip:*31%23112@h": "112", "sip:%2A31%23112;rn=0049@h": "112", "tel:*31%23999": "999", "*31#+112": "112",
			"urn:service:sos": "urn:service:sos", "URN:Service:SOS.Fire": "urn:service:sos.fire",
			"urn:service:sos.animal-control":   "urn:service:sos.animal-control",
			"urn:service:sos.police.municipal": "urn:service:sos.police.municipal",
		}},
		{"GB", []string{"9", "81"}, nil, map[string]string{
			"9999": "9999", "9112": "9112", "81999": "81999", "9-112": "9112", "tel:9112;rn=0049": "9112",
			"sip:81%31%31%32:0049@h": "81112",
			"9141999":                "9999", "9*31#112": "9112", "9*67112": "9112", "1419999": "9999",
			"*679112":   "9112",
			"81#31#999": "81999", "999": "999",
		}},
		{"DE", []string{"0"}, nil, map[string]string{"0112": "0112", "0110": "0110", "110": "110", "0*31#110": "0110",
			"#31#0112": "0112"}},
		{"US", []string{"9"}, nil, map[string]string{"9911": "9911", "911": "911", "1167911": "911", "*67911": "911",
			"9*67911": "9911", "91167911": "9911", "1182112": "112"}},
		{"AU", nil, nil, map[string]string{"000": "000", "1831000": "000", "1832000": "000", "106": "106"}},
		{"FR", []string{"0"}, nil, map[string]string{"15": "15", "3651112": "112", "365117": "17", "018": "018",
			"0365118": "018"}},
		{"JP", nil, nil, map[string]string{"110": "110", "184119": "119", "186110": "110"}},
		{"NZ", nil, nil, map[string]string{"111": "111", "0196111": "111", "0197111": "111"}},
		{"HK", nil, nil, map[string]string{"133999": "999"}},
		{"IE", nil, nil, map[string]string{"141999": "999"}},
	} {
		n := numbers(t, c.country, c.prefixes, c.additional)
		for uri, want := range c.dials {
			got, sure := n.DialString(uri)
			assert.True(t, sure, "%s %v: %s", c.country, c.prefixes, uri)
			assert.Equal(t, want, got, "%s %v: %s", c.country, c.prefixes, uri)
			_, unlisted := n.UnlistedDialString(uri)
			assert.False(t, unlisted, "%s %v: %s", c.country, c.prefixes, uri)
		}
	}
}

// A number that only contains an emergency number is not surely an emergency call, however its other part is hidden.
// Nor is one behind a further digit.
func TestNumbersThatContainAnEmergencyNumber(t *testing.T) {
	for country, prefixes := range map[string][]string{"GB": {"9"}, "DE": {"0"}, "US": nil, "FR": {"0"}} {
		n := numbers(t, country, prefixes, nil)
		for _, s := range []string{
			"tel:+4930123456;rn=112", "sip:004930123456;rn=112@h", "sip:004930123456%3Brn=112@h",
			"sip:004930123456%3brn%3D112@h", "004930123456;rn=112",
			"sip:004930123456:112@h", "sip:004930123456%3A112@h", "sip:112%3A004930123456@h",
			"tel:+4930123456;phone-context=112",
			"004930123456*112", "004930123456#112", "112*004930123456", "112#004930123456", "112#004930123456#", "112*",
			"*112", "*112#", "#112", "**112",
			"*31*112#004930123456", "*31#112#004930123456", "*31#112*004930123456", "*67112*004930123456",
			"141112*0049", "*67*67112", "*31#*31#112", "#31#*112", "*31#", "*67",
			"*31#004930123456", "*21*112#", "*21#112", "**21*112#", "*69112", "*272112", "1280112",
			"004930123456+44112", "+44112", "0044112", "+1911", "112+44", "+112+44", "++112",
			"5559000*999", "112,004930123456", "112p004930123456", "112/0049", "112004930123456", "112112", "00112",
			"99112", "09112112", "112 004930123456",
			"sip:004930123456@112", "sip:a@112", "sip:112", "sip://112@h", "sip:1%31%32%00@h", "sip:11%25%32@h",
			"1\uff112", "sip:112%40004930123456@h",
			"urn:service:sos;rn=112", "urn:service:sos?To=0049", "urn:service:sos.", "urn:service:sos..fire",
			"urn:service:sos.fi/re", "urn:service:sos.fire@h", "urn:service:sosfire",
			"urn:service:sos." + strings.Repeat("a", 64), "sip:urn:service:sos@h", "http:112", "callto:112",
		} {
			dial, sure := n.DialString(s)
			assert.False(t, sure, "%s: %s", country, s)
			assert.Empty(t, dial, s)
			dial, ok := n.UnlistedDialString(s)
			assert.False(t, ok, "%s: %s", country, s)
			assert.Empty(t, dial, s)
		}
	}
}

// The number is one of three digits followed by exactly an emergency number. It does not count if the digit is a listed
// prefix, or if the whole is an emergency number.
func TestDialUnlisted(t *testing.T) {
	for _, c := range []struct {
		country  string
		prefixes []string
		yes      map[string]string
		no       string
	}{
		{"GB", nil, map[string]string{"0999": "0999", "8112": "8112", "9999": "9999", "9-112": "9112", "+9112": "9112",
			"9112#": "9112", "sip:9%31%312;rn=0049@h": "9112",
			"tel:0112;rn=+4930123456": "0112", "sip:9112:0049@h": "9112"},
			"999 1112 2112 7999 90999 00999 99112 *112 9*112 9112*0049 *679112 9"},
		{"GB", []string{"9"}, map[string]string{"0999": "0999", "8999": "8999"}, "9999 9112 09112 99112"},
		{"AU", []string{"0"}, map[string]string{"9000": "9000", "8000": "8000"}, "000 0000 00000"},
		{"FR", nil, map[string]string{"015": "015", "917": "917", "0112": "0112"}, "15 115 0015"},
		{"US", nil, map[string]string{"9911": "9911"}, "911 1911"},
	} {
		n := numbers(t, c.country, c.prefixes, nil)
		for uri, want := range c.yes {
			got, ok := n.UnlistedDialString(uri)
			assert.True(t, ok, "%s: %s", c.country, uri)
			assert.Equal(t, want, got, "%s: %s", c.country, uri)
			assert.False(t, n.Emergency(uri), "%s: %s", c.country, uri)
		}
		for _, s := range strings.Fields(c.no) {
			_, ok := n.UnlistedDialString(s)
			assert.False(t, ok, "%s: %s", c.country, s)
		}
	}
}

// The list is that of the phone-metadata library of Debian bookworm (python3-phonenumbers 8.12.57).
func TestEmergencyCountries(t *testing.T) {
	for country, want := range map[string]string{"US": "112 911", "GB": "112 911 999", "AU": "000 106 112 911",
		"JP": "110 112 119 911", "FR": "112 15 17 18 911", "NZ": "111 112 911"} {
		assert.Equal(t, want, strings.Join(numbers(t, country, nil, nil).List(), " "), country)
	}
	assert.Len(t, Countries(), 62)
	for _, c := range Countries() {
		n := numbers(t, c, []string{"0"}, nil)
		for _, d := range append(n.List(), "112", "911") {
			assert.True(t, n.Emergency("sip:"+d+"@pbx.millrace.example"), "%s %s", c, d)
			assert.True(t, n.Emergency("0"+d), "%s 0%s", c, d)
		}
	}
}

func TestNewNumbersRefusesInvalid(t *testing.T) {
	for want, o := range map[string]NumbersOptions{
		`country "" has no`:            {},
		`country "us" has no`:          {Country: "us"},
		`country "ZZ" has no`:          {Country: "ZZ"},
		`country "# " has no`:          {Country: "# "},
		`emergency number "stage"`:     {Country: "US", Additional: []string{"stage"}},
		`outside-line prefix ""`:       {Country: "US", Prefixes: []string{""}},
		`outside-line prefix "nine"`:   {Country: "US", Prefixes: []string{"nine"}},
		`allowed are digits with sepa`: {Country: "US", Additional: []string{"#"}},
	} {
		_, err := NewNumbers(o)
		assert.ErrorContains(t, err, want)
	}
}

// The reference implementation tries every prefix and every number as text.
func TestEmergencyAgainstReference(t *testing.T) {
	prefixes := []string{"9", "0", "81"}
	n := numbers(t, "LT", prefixes, []string{"1551"})
	stupid := func(s string) bool {
		s = strings.TrimPrefix(strings.TrimRight(s, "#"), "+")
		s = strings.NewReplacer("-", "", ".", "", " ", "").Replace(s)
		for _, p := range append([]string{""}, prefixes...) {
			for _, d := range n.List() {
				if s == p+d {
					return true
				}
			}
		}
		return false
	}
	r := rand.New(rand.NewPCG(1, 2))
	const alphabet = "0123456789-."
	yes := 0
	for range 200_000 {
		b := make([]byte, 1+r.IntN(6))
		for i := range b {
			b[i] = alphabet[r.IntN(len(alphabet))]
		}
		s := string(b)
		want := stupid(s)
		if want {
			yes++
		}
		require.Equal(t, want, n.Emergency("sip:"+s+"@pbx.millrace.example"), s)
	}
	require.Greater(t, yes, 1000, "the generator must meet emergency numbers")
}

// RFC 7090 section 5 (value from its abstract): Priority: psap-callback.
func TestEmergencyCallback(t *testing.T) {
	assert.True(t, EmergencyCallback("psap-callback"))
	assert.True(t, EmergencyCallback(" PSAP-Callback "))
	assert.False(t, EmergencyCallback("emergency"))
	assert.False(t, EmergencyCallback(""))
	assert.False(t, EmergencyCallback("psap-callbacks"))
}

func FuzzEmergency(f *testing.F) {
	n, err := NewNumbers(NumbersOptions{Country: "GB", Prefixes: []string{"9"}})
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{"sip:999@pbx.millrace.example", "tel:+112", "urn:service:sos.fire", "9%399"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if n.Emergency(s) && !strings.ContainsAny(s, "0123456789") && !strings.Contains(strings.ToLower(s), "sos") {
			t.Fatalf("%q holds neither a digit nor sos", s)
		}
		for _, read := range []func(string) (string, bool){n.DialString, n.UnlistedDialString} {
			dial, ok := read(s)
			if again, same := read(dial); ok && (!same || again != dial || strings.Trim(dial, "0123456789") != "" &&
				!strings.HasPrefix(dial, "urn:service:sos")) {
				t.Fatalf("%q is dialled as %q", s, dial)
			}
		}
	})
}
