package sanitize

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// Every character that a terminal acts on or that changes the direction of writing is replaced, in every form.
func TestControlCharactersAreReplaced(t *testing.T) {
	t.Parallel()
	var all []rune
	for _, span := range [][2]rune{{0, 0x1f}, {0x7f, 0x9f}, {0x61c, 0x61c}, {0x200e, 0x200f}, {0x2028, 0x202e},
		{0x2066, 0x2069}, {0xe0001, 0xe0001}, {0xfeff, 0xfeff}} {
		for r := span[0]; r <= span[1]; r++ {
			all = append(all, r)
		}
	}
	for _, r := range all {
		s := "a" + string(r) + "b"
		if got := Text(s, 10); got != "a?b" {
			t.Errorf("%U: %q", r, got)
		}
		for _, got := range []string{Escape(s), Cell(s), string(Lines([]byte(s)))} {
			var back string
			kept := got == s && (r == '\n' || r == '\t')
			if err := json.Unmarshal([]byte(`"`+got+`"`), &back); !kept &&
				(err != nil || back != s || strings.ContainsRune(got, r)) {
				t.Errorf("%U: %q, %v", r, got, err)
			}
		}
	}
}

func TestText(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		in   string
		most int
		want string
	}{
		{"", 4, ""}, {"größe", 5, "größe"}, {"größer", 5, "grö.."}, {"\xff\xfe", 5, "??"},
		{strings.Repeat("ü", 500), 5, "üüü.."},
		{"line\r\nline", 20, "line??line"},
	} {
		if got := Text(c.in, c.most); got != c.want {
			t.Errorf("%q: %q, want %q", c.in, got, c.want)
		}
	}
}

// A spreadsheet takes a text for a formula if it begins with =, +, - or @ (from memory: OWASP, CSV injection). A number
// remains a number.
func TestCell(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"": "", "5550101": "5550101", "+4930123456": "+4930123456", "Box office": "Box office", "a=b": "a=b",
		"a\nb":          `a\u000ab`,
		"=HYPERLINK(1)": "'=HYPERLINK(1)", "+": "'+", "+1+1": "'+1+1", "+49 30": "'+49 30", "-1": "'-1",
		"@SUM(1)": "'@SUM(1)", " =1": "' =1",
		"＝1": "'＝1", "\t=1": `\u0009=1`, "\r=1": `\u000d=1`,
	} {
		if got := Cell(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

func ExampleLines() {
	fmt.Println(string(Lines([]byte("call\t\"\u202e101\"\x9b\u0085"))))
	// Output: call	"\u202e101"?\u0085
}
