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

// globalNumbers count in every country: ITU-T E.161.1 recommends 112 and 911 as a second emergency number (from
// memory).
var globalNumbers = [...]string{"112", "911"}

// callerIDCodes are the codes that withhold or show the caller's number. Those under "" apply everywhere: 3GPP TS
// 22.030 annex B (CLIR) and North America's. The others apply in their country. From memory of the national numbering
// plans.
var callerIDCodes = map[string][]string{
	"":   {"*31#", "#31#", "*31*", "*67", "*82"},
	"AU": {"1831", "1832"}, "CA": {"1167", "1182"}, "FR": {"3651"}, "GB": {"141", "1470"}, "HK": {"133"}, "IE": {"141"},
	"JP": {"184", "186"}, "NZ": {"0196", "0197"}, "US": {"1167", "1182"},
}

// UnlistedPrefixes are the digits that people dial for an outside line even if the configuration does not list them
// (common practice).
const UnlistedPrefixes = "089"

// Numbers decides which destinations are emergency numbers. It is immutable and safe for concurrent use.
type Numbers struct {
	numbers  []string // sorted, digits only
	prefixes []string // outside-line prefixes, digits only; the first is empty
	codes    []string // codes that withhold or show the caller's number
}

// NumbersOptions are the settings of [NewNumbers].
type NumbersOptions struct {
	// Country is the ISO 3166-1 alpha-2 code, required.
	Country string
	// Prefixes are outside-line prefixes, digits ("9", "0").
	Prefixes []string
	// Additional are emergency numbers that the operator adds.
	Additional []string
}

// NewNumbers returns the emergency numbers of a country: those of the embedded list, 112, 911 and the additional ones.
// It returns an error if the list has no such country, or if a number or prefix is not valid.
func NewNumbers(o NumbersOptions) (*Numbers, error) {
	national, ok := nationalNumbers(o.Country)
	if !ok {
		return nil, fmt.Errorf("country %q has no emergency numbers in the list; allowed are ISO 3166-1 codes of two capital letters (%s); take a country with the same numbers and name others as additional numbers",
			o.Country, strings.Join(Countries(), " "))
	}
	n := &Numbers{
		numbers: append(national, globalNumbers[:]...), prefixes: []string{""},
		codes: slices.Concat(callerIDCodes[""], callerIDCodes[o.Country]),
	}
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

// Countries returns the country codes that [NewNumbers] accepts, sorted.
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

// List returns the emergency numbers without prefixes, sorted.
func (n *Numbers) List() []string { return slices.Clone(n.numbers) }

// Emergency reports whether uri surely names an emergency number; see [Numbers.DialString].
func (n *Numbers) Emergency(uri string) bool {
	_, sure := n.DialString(uri)
	return sure
}

// DialString returns the string to dial for uri, if uri surely names an emergency number. uri may be a sip or sips URI
// (its user part counts), a tel URI (RFC 3966), a bare dialled string, or urn:service:sos or one of its sub-services
// (RFC 5031). Apart from a URN, it must be exactly a listed number, alone or behind a listed outside-line prefix. A
// leading +, visual separators, percent-escapes and trailing # are ignored. A code that withholds or shows the caller's
// number is removed, before or behind the prefix. The result is the digits as dialled, or the URN, and nothing else: no
// parameter, no password and no second number. So nobody can reach another number by adding an emergency number to it.
func (n *Numbers) DialString(uri string) (dial string, sure bool) {
	number, urn := destination(uri)
	if urn != "" {
		return urn, true
	}
	if d, ok := digits(number); ok && n.isEmergency(d) {
		return d, true
	}
	number = separators.Replace(number)
	for _, p := range n.prefixes {
		for _, code := range n.codes {
			rest, behind := strings.CutPrefix(number, p+code)
			if d, ok := digits(rest); behind && ok && (n.listed(d) || p == "" && n.isEmergency(d)) {
				return p + d, true
			}
		}
	}
	return "", false
}

// UnlistedDialString returns the string to dial for uri, if uri is an emergency number behind a digit of
// [UnlistedPrefixes] that is not listed as an outside-line prefix.
func (n *Numbers) UnlistedDialString(uri string) (dial string, ok bool) {
	number, _ := destination(uri)
	d, ok := digits(number)
	if !ok || strings.IndexByte(UnlistedPrefixes, d[0]) < 0 || !n.listed(d[1:]) || n.isEmergency(d) {
		return "", false
	}
	return d, true
}

// destination returns the dialled string of a URI, or the URN if it names an emergency service.
func destination(uri string) (number, urn string) {
	uri = strings.TrimSpace(uri)
	scheme, rest, ok := strings.Cut(uri, ":")
	switch {
	case !ok:
		return scheme, ""
	case strings.EqualFold(scheme, "urn"):
		if emergencyService(rest) {
			return "", strings.ToLower(uri)
		}
	case strings.EqualFold(scheme, "tel"):
		return userPart(rest), ""
	case strings.EqualFold(scheme, "sip"), strings.EqualFold(scheme, "sips"):
		if user, _, hasUser := strings.Cut(rest, "@"); hasUser {
			return userPart(user), ""
		}
	}
	return "", ""
}

// userPart removes a password and parameters from the user part (RFC 3261 section 25.1 allows both, and a tel URI has
// its parameters in the same place). It resolves percent-escapes.
func userPart(s string) string {
	if i := strings.IndexAny(s, ":;"); i >= 0 {
		s = s[:i]
	}
	s = Unescape(s)
	if i := strings.IndexByte(s, ';'); i >= 0 { // an escaped semicolon
		s = s[:i]
	}
	return s
}

// Unescape resolves percent-escapes (RFC 3986 section 2.1), once. A malformed escape is left as it is.
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

// emergencyService reports whether the rest of a URN names the emergency service of RFC 5031 or a sub-service. It
// consists of labels of letters, digits and hyphens, with dots between them (section 4.1), and is compared
// case-insensitively.
func emergencyService(urn string) bool {
	s, ok := strings.CutPrefix(strings.ToLower(urn), "service:sos")
	if !ok || s != "" && s[0] != '.' || len(s) > 64 {
		return false
	}
	for label := range strings.SplitSeq(strings.TrimPrefix(s, "."), ".") {
		if s != "" && (label == "" || strings.Trim(label, "abcdefghijklmnopqrstuvwxyz0123456789-") != "") {
			return false
		}
	}
	return true
}

// isEmergency reports whether digits are an emergency number, alone or behind a listed prefix.
func (n *Numbers) isEmergency(digits string) bool {
	for _, p := range n.prefixes {
		if rest, ok := strings.CutPrefix(digits, p); ok && n.listed(rest) {
			return true
		}
	}
	return false
}

// listed reports whether digits are an emergency number without a prefix.
func (n *Numbers) listed(digits string) bool {
	_, found := slices.BinarySearch(n.numbers, digits)
	return found
}

// separators removes the visual separators of RFC 3966 section 5.1.1, and blanks.
var separators = strings.NewReplacer("-", "", ".", "", "(", "", ")", "", " ", "")

// digits removes a leading +, the visual separators of RFC 3966 section 5.1.1, blanks and trailing #. It returns false
// if anything but digits remains, or nothing.
func digits(s string) (string, bool) {
	s = separators.Replace(strings.TrimPrefix(strings.TrimRight(strings.TrimSpace(s), "#"), "+"))
	return s, s != "" && strings.Trim(s, "0123456789") == ""
}

// EmergencyCallback reports whether the value of a Priority header field marks a call-back from the emergency centre
// (psap-callback, RFC 7090). Tokens are compared case-insensitively (RFC 3261 section 7.3.1).
func EmergencyCallback(priority string) bool {
	return strings.EqualFold(strings.TrimSpace(priority), "psap-callback")
}
