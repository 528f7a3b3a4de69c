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
		"sip:999@pbx.millrace.example", "SIP:112@pbx.millrace.example;user=phone", "sips:999;phone-context=pbx.millrace.example@192.0.2.1:5061",
		"sip:9%39%39@pbx.millrace.example", "sip:99%39@pbx.millrace.example", "sip:999:lobby@pbx.millrace.example", "sip:+112@pbx.millrace.example", "sip:999%23@pbx.millrace.example",
		"tel:112", "tel:9-9-9;phone-context=+44", "tel:+112", "TEL:(999)",
		// RFC 5031 section 4.2: the sos service and its sub-services; URNs of services compare without regard to case.
		"urn:service:sos", "urn:service:sos.fire", "URN:SERVICE:SOS.ambulance", "urn:service:sos.animal-control",
	} {
		assert.True(t, n.Emergency(s), s)
	}
	for _, s := range []string{
		"", "9", "99", "1120", "0112", "99999", "555-0101", "sip:pbx.millrace.example", "sip:box-office@pbx.millrace.example", "sip:999.millrace.example",
		"sip:1120@pbx.millrace.example", "tel:", "tel:1999", "urn:service:sosa", "urn:service:counseling", "urn:service", "mailto:112@millrace.example",
		"sip:99%3@pbx.millrace.example", "sip:99%zz@pbx.millrace.example", "sip:99%2539@pbx.millrace.example", "sip:99%@pbx.millrace.example", "#", "+", "112*", "*112", "x112", "http:112",
	} {
		assert.False(t, n.Emergency(s), s)
	}
}

// The list is that of the phone-metadata library of Debian bookworm (python3-phonenumbers 8.12.57).
func TestEmergencyCountries(t *testing.T) {
	for country, want := range map[string]string{"US": "112 911", "GB": "112 911 999", "AU": "000 106 112 911", "JP": "110 112 119 911", "FR": "112 15 17 18 911", "NZ": "111 112 911"} {
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

func TestNumbersRefusesNonsense(t *testing.T) {
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

// A clever function against a stupid one: the stupid one tries every prefix and every number as text.
func TestEmergencyAgainstStupid(t *testing.T) {
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
	})
}
