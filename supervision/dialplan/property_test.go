package dialplan

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// spelled writes a number as an adapter might: with codes before it, separators, escapes, and in one of the URI forms.
func spelled(t *rapid.T, c country, number string) string {
	code := ""
	if len(c.codes) > 0 && rapid.Bool().Draw(t, "carrier") {
		code = strings.ReplaceAll(rapid.SampledFrom(c.codes).Draw(t, "code"), "x", "7")
	}
	number = rapid.SampledFrom([]string{"", "", "9", "*31#", "#31#", "*67", "*82", "*31*", "**21*"}).Draw(t,
		"service code") + code + number
	var b strings.Builder
	for i, ch := range []byte(number) {
		if i > 0 {
			b.WriteString(rapid.SampledFrom([]string{"", "", "", "", "-", ".", "(", ")", " "}).Draw(t, "separator"))
		}
		switch rapid.IntRange(0, 9).Draw(t, "escape") {
		case 0:
			fmt.Fprintf(&b, "%%%02X", ch)
		case 1:
			fmt.Fprintf(&b, "%%%02x", ch)
		default:
			b.WriteByte(ch)
		}
	}
	form := rapid.SampledFrom([]string{"%s", "sip:%s@pbx.millrace.example", "sips:%s@192.0.2.5;user=phone", "tel:%s",
		"TEL:%s;isub=1", "sip:%s:word@pbx", "%s;cic=7"}).Draw(t, "form")
	return fmt.Sprintf(form, b.String())
}

// dialledFrom returns a number of another country as it is dialled from this one, or with its context (RFC 3966 section
// 5.1.4).
func dialledFrom(t *rapid.T, c country, number string) string {
	prefixes := append([]string{"+"}, c.prefixes...)
	p := rapid.SampledFrom(prefixes).Draw(t, "prefix")
	if p[0] == '9' {
		p = "9" + p // otherwise the first 9 would be the outside-line prefix
	}
	return strings.ReplaceAll(p, "x", "5") + number
}

func anyCountry(t *rapid.T) (string, country) {
	for {
		iso := rapid.SampledFrom([]string{"GB", "US", "DE", "FR", "RU", "JP", "AU", "IL", "IT", "FI", "SG", "CL", "BR",
			"HK", "UA", "IE"}).Draw(t, "country")
		if c, ok := lookup(iso); ok {
			return iso, c
		}
	}
}

// A number of another country is recognised in every spelling.
func TestInternationalInEverySpelling(t *testing.T) {
	codes := []string{"1", "7", "20", "27", "30", "33", "44", "49", "52", "61", "81", "86", "211", "353", "371", "423",
		"590", "683", "852", "881", "972", "998"}
	rapid.Check(t, func(t *rapid.T) {
		iso, c := anyCountry(t)
		to := rapid.SampledFrom(codes).Filter(func(s string) bool {
			return s != c.code && !(iso == "US" && s == "1")
		}).Draw(t, "to")
		number := to + rapid.StringMatching(`[2-8][0-9]{7,9}`).Draw(t, "number")
		p, err := New(Options{Country: iso, Prefixes: []string{"9"}})
		if err != nil {
			t.Fatal(err)
		}
		s := spelled(t, c, dialledFrom(t, c, number))
		if got := p.Judge(s); got != International {
			t.Fatalf("%s: %q is %q", iso, s, got)
		}
	})
}

// In every spelling, a denied number is denied, and a number that is not allowed is not allowed. A number that is
// allowed may be dialled in the plain spellings.
func TestPatternsInEverySpelling(t *testing.T) {
	c, _ := lookup("GB")
	p, err := New(Options{Country: "GB", Prefixes: []string{"9"}, Allow: []string{"01632*", "5550xxx"},
		Deny: []string{"0163296019x"}})
	if err != nil {
		t.Fatal(err)
	}
	open, err := New(Options{Country: "GB", Prefixes: []string{"9"}, Deny: []string{"0163296019x"},
		International: true})
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		begin := rapid.SampledFrom([]string{"0", "+44", "0044", "90", "90044", "+44(0)"}).Draw(t, "begin")
		last := rapid.StringMatching("[0-9]").Draw(t, "last")
		for _, p := range []*Plan{p, open} {
			if s := spelled(t, c, begin+"163296019"+last); p.Judge(s) != Denied {
				t.Fatalf("%q is %q", s, p.Judge(s))
			}
		}
		if s := spelled(t, c, begin+"163396010"+last); p.Judge(s) != NotAllowed {
			t.Fatalf("%q is %q", s, p.Judge(s))
		}
		if s := begin + "163296010" + last; p.Judge(s) != "" {
			t.Fatalf("%q is %q", s, p.Judge(s))
		}
	})
}

// For every destination, a plan without rules refuses nothing, and one that denies everything refuses everything. No
// further rule permits what was refused.
func FuzzJudge(f *testing.F) {
	for _, s := range []string{"", "5550101", "+4930123456", "%2B49", "*67*0049301234567#",
		"tel:30123456;phone-context=+49", "sip:a@b", "9090909090", "alice", "12121212121212121212",
		"+1+2+3", ";rn=", "%", "**#*#", "0" + strings.Repeat("9", 200), strings.Repeat("9001284", 40)} {
		f.Add(s)
	}
	plans := map[string]*Plan{}
	for name, o := range map[string]Options{
		"open":   {Country: "US", International: true},
		"home":   {Country: "US", Prefixes: []string{"9", "0"}},
		"denied": {Country: "US", Deny: []string{"*"}, International: true},
		"some":   {Country: "US", Prefixes: []string{"9", "0"}, Deny: []string{"1xx", "900*"}},
		"few": {Country: "US", Prefixes: []string{"9", "0"}, Deny: []string{"1xx", "900*"},
			Allow: []string{"555xxxx"}},
	} {
		p, err := New(o)
		if err != nil {
			f.Fatal(err)
		}
		plans[name] = p
	}
	f.Fuzz(func(t *testing.T, s string) {
		if got := plans["open"].Judge(s); got != "" {
			t.Fatalf("%q is %q without rules", s, got)
		}
		if got := plans["denied"].Judge(s); got != Denied {
			t.Fatalf("%q is %q where everything is denied", s, got)
		}
		if plans["home"].Judge(s) != "" && plans["some"].Judge(s) == "" || plans["some"].Judge(s) != "" &&
			plans["few"].Judge(s) == "" {
			t.Fatalf("%q: a further rule lets it through", s)
		}
	})
}
