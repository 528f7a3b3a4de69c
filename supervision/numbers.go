package supervision

import (
	_ "embed" // the list of emergency numbers
	"fmt"
	"slices"
	"strconv"
	"strings"
)

//go:embed emergency.csv
var emergencyData string

// everywhere are the numbers that count in every country: 112 and 911 are the two that ITU-T E.161.1 recommends as
// a second emergency number (from memory).
var everywhere = [...]string{"112", "911"}

// Numbers knows which destinations are emergency numbers. It is immutable and safe for concurrent use.
type Numbers struct {
	numbers  []string // sorted, digits only
	prefixes []string // outside-line prefixes, digits only; the empty one first
}

// NumbersOptions are the settings of [NewNumbers].
type NumbersOptions struct {
	// Country is the ISO 3166-1 alpha-2 code, required.
	Country string
	// Prefixes are outside-line prefixes, digits ("9", "0").
	Prefixes []string
	// Additional are the operator's own emergency numbers.
	Additional []string
}

// NewNumbers returns the emergency numbers of a country: those of the embedded list, 112, 911 and the operator's own.
// It fails for a country that the list does not have and for a number or prefix without a digit.
func NewNumbers(o NumbersOptions) (*Numbers, error) {
	national, ok := nationalNumbers(o.Country)
	if !ok {
		return nil, fmt.Errorf("country %q has no emergency numbers in the list; allowed are ISO 3166-1 codes of two capital letters (%s); take a country with the same numbers and name others as additional numbers",
			o.Country, strings.Join(Countries(), " "))
	}
	n := &Numbers{numbers: append(national, everywhere[:]...), prefixes: []string{""}}
	for _, s := range o.Additional {
		d, ok := digits(s)
		if !ok {
			return nil, fmt.Errorf("emergency number %q is no number; allowed are digits with separators", s)
		}
		n.numbers = append(n.numbers, d)
	}
	for _, s := range o.Prefixes {
		d, ok := digits(s)
		if !ok {
			return nil, fmt.Errorf("outside-line prefix %q is no number; allowed are digits", s)
		}
		n.prefixes = append(n.prefixes, d)
	}
	slices.Sort(n.numbers)
	n.numbers = slices.Compact(n.numbers)
	return n, nil
}

// Countries lists the codes that [NewNumbers] knows, sorted.
func Countries() []string {
	var all []string
	for row := range strings.Lines(emergencyData) {
		if code, _, ok := strings.Cut(row, ","); ok && len(code) == 2 {
			all = append(all, code)
		}
	}
	return all
}

func nationalNumbers(country string) ([]string, bool) {
	for row := range strings.Lines(emergencyData) {
		if code, list, ok := strings.Cut(row, ","); ok && len(code) == 2 && code == country {
			return strings.Fields(list), true
		}
	}
	return nil, false
}

// List returns the emergency numbers, sorted, without prefixes.
func (n *Numbers) List() []string { return slices.Clone(n.numbers) }

// Emergency tells whether uri is an emergency destination: a sip or sips URI by its user part, a tel URI (RFC 3966),
// urn:service:sos or one of its sub-services (RFC 5031), or a bare dialled string. A leading +, visual separators, a
// trailing # and an outside-line prefix do not hide a number.
func (n *Numbers) Emergency(uri string) bool {
	scheme, rest, ok := strings.Cut(strings.TrimSpace(uri), ":")
	switch {
	case !ok:
		return n.dialled(scheme)
	case strings.EqualFold(scheme, "urn"):
		return emergencyService(rest)
	case strings.EqualFold(scheme, "tel"):
		return n.dialled(userPart(rest))
	case strings.EqualFold(scheme, "sip"), strings.EqualFold(scheme, "sips"):
		user, _, hasUser := strings.Cut(rest, "@")
		return hasUser && n.dialled(userPart(user))
	default:
		return false
	}
}

// userPart drops a password and parameters of the user part (RFC 3261 section 25.1 allows both; a tel URI's
// parameters stand there too) and resolves percent-escapes.
func userPart(s string) string {
	if i := strings.IndexAny(s, ":;"); i >= 0 {
		s = s[:i]
	}
	s = Unescape(s)
	if i := strings.IndexByte(s, ';'); i >= 0 { // an escaped one
		s = s[:i]
	}
	return s
}

// Unescape resolves percent-escapes (RFC 3986 section 2.1), once; a mangled one stays as it is.
func Unescape(s string) string {
	if strings.IndexByte(s, '%') < 0 {
		return s
	}
	b := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] == '%' && i+2 < len(s) {
			if c, err := strconv.ParseUint(s[i+1:i+3], 16, 8); err == nil {
				b, i = append(b, byte(c)), i+2
				continue
			}
		}
		b = append(b, s[i])
	}
	return string(b)
}

// emergencyService tells whether an URN is the emergency service of RFC 5031, which compares without regard to case.
func emergencyService(urn string) bool {
	s := strings.ToLower(urn)
	return s == "service:sos" || strings.HasPrefix(s, "service:sos.")
}

func (n *Numbers) dialled(s string) bool {
	d, ok := digits(s)
	if !ok {
		return false
	}
	for _, p := range n.prefixes {
		rest, ok := strings.CutPrefix(d, p)
		if _, found := slices.BinarySearch(n.numbers, rest); ok && found {
			return true
		}
	}
	return false
}

// digits strips a leading +, the visual separators of RFC 3966 section 5.1.1, blanks and trailing #; anything else
// that is no digit makes it no number.
func digits(s string) (string, bool) {
	s = strings.TrimRight(strings.TrimSpace(s), "#")
	s = strings.TrimPrefix(s, "+")
	clean := true
	for i := range len(s) {
		clean = clean && '0' <= s[i] && s[i] <= '9'
	}
	if clean {
		return s, s != ""
	}
	b := make([]byte, 0, len(s))
	for i := range len(s) {
		switch c := s[i]; {
		case '0' <= c && c <= '9':
			b = append(b, c)
		case strings.IndexByte("-.() ", c) < 0:
			return "", false
		}
	}
	return string(b), len(b) > 0
}

// EmergencyCallback tells whether the value of a Priority header field marks a call from the emergency centre
// (RFC 7090: psap-callback; tokens compare without regard to case, RFC 3261 section 7.3.1).
func EmergencyCallback(priority string) bool {
	return strings.EqualFold(strings.TrimSpace(priority), "psap-callback")
}
