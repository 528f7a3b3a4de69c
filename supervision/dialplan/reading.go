package dialplan

import (
	"slices"
	"strings"

	"clearback/supervision"
)

// Limits of a reading, our own figures. No number that can be reached comes near them.
const (
	maxDestination = 256 // bytes of a destination
	maxDepth       = 6   // codes and prefixes before a number
	maxReadings    = 64  // ways to read one destination
	// minInternational is the least number of digits after an international prefix. The shortest numbers of small
	// countries have seven digits with the country calling code (from memory), so a shorter number is an extension or a
	// short code.
	minInternational = 6
	// longestCode is the largest number of digits of a service code between its * and #. Codes have two or three (3GPP
	// TS 22.030 section 6.5.2).
	longestCode = 3
)

// readings is the set of ways in which a service may understand a destination.
type readings struct {
	forms  []form
	abroad bool // at least one of them is a number of another country
}

// form is one such way, as a dialled string.
type form struct {
	digits string // digits, * and #; "" for a name
	// sure: every service reads the destination so, not only one that knows a code before the number.
	sure bool
	// read: its own readings have been added.
	read bool
}

// any reports whether a pattern matches one of the forms. With sure, only forms that are sure count.
func (r *readings) any(all []pattern, sure bool) bool {
	for _, f := range r.forms {
		for _, p := range all {
			if p.everything() || (f.sure || !sure) && f.digits != "" && p.matches(f.digits) {
				return true
			}
		}
	}
	return false
}

// note adds a form, or finds it, and returns it.
func (r *readings) note(digits string, sure bool) *form {
	for i := range r.forms {
		if f := &r.forms[i]; f.digits == digits {
			f.sure = f.sure || sure
			return f
		}
	}
	if len(r.forms) == maxReadings {
		r.abroad = true // too many readings: treat the destination as one of another country
		return &form{read: true}
	}
	r.forms = append(r.forms, form{digits: digits, sure: sure})
	return &r.forms[len(r.forms)-1]
}

// read adds the ways to read a destination.
func (p *Plan) read(r *readings, destination string) {
	if len(destination) > maxDestination {
		r.abroad = true
		r.note("", true)
		return
	}
	s := user(destination)
	for range 3 { // also escapes of escapes, for a service that resolves them twice
		s = supervision.Unescape(s)
	}
	p.readUser(r, s)
	if len(r.forms) == 0 {
		r.note("", true) // separators only
	}
}

// user removes the scheme and the host of a URI.
func user(s string) string {
	s = strings.TrimSpace(s)
	scheme, rest, ok := strings.Cut(s, ":")
	ok = ok && !strings.ContainsAny(scheme, "0123456789*#%@;")
	if !ok {
		return s
	}
	before, _, hasUser := strings.Cut(rest, "@")
	if !hasUser && (strings.EqualFold(scheme, "sip") || strings.EqualFold(scheme, "sips")) {
		return ""
	}
	return before
}

// readUser reads a user part with its parameters: phone-context (RFC 3966 section 3), and rn (RFC 4694), by which a
// service may route the call. What stands where a parameter should but is not named like one, as in "220;+44", may be
// a number to a service that ignores the semicolon, alone or with what is before it.
func (p *Plan) readUser(r *readings, s string) {
	number, params, _ := strings.Cut(s, ";")
	// A tel URI has no colon; a service may take what follows one for a password.
	number, behind, two := strings.Cut(number, ":")
	p.readText(r, number, !two && !mayRoute(params))
	if two {
		p.readText(r, behind, false)
	}
	for _, param := range strings.Split(params, ";") {
		name, value, _ := strings.Cut(param, "=")
		switch name = strings.TrimSpace(name); {
		case strings.EqualFold(name, "phone-context") && strings.Contains(value, "+"):
			p.readText(r, value+number, false)
		case strings.EqualFold(name, "rn"):
			p.readText(r, value, false)
		case !isParameter(param, name):
			p.readText(r, strings.TrimLeftFunc(param, func(c rune) bool { return !strings.ContainsRune("0123456789*#+", c) }),
				false)
			p.readText(r, number+param, false)
		}
	}
}

// mayRoute reports whether the parameters have an rn, or something that is not named like a parameter. It is then not
// certain which number a service uses.
func mayRoute(params string) bool {
	for param := range strings.SplitSeq(params, ";") {
		name, _, _ := strings.Cut(param, "=")
		if name = strings.TrimSpace(name); strings.EqualFold(name, "rn") || !isParameter(param, name) {
			return true
		}
	}
	return false
}

// isParameter reports whether a parameter is empty or its name consists of letters and hyphens. No registered parameter
// of a tel URI has another one (IANA, tel URI Parameters, from memory).
func isParameter(param, name string) bool {
	other := func(c rune) bool { return c != '-' && (c|0x20 < 'a' || 'z' < c|0x20) }
	return strings.TrimSpace(param) == "" || name != "" && strings.IndexFunc(name, other) < 0
}

// readText reads a number with its separators, or a name.
func (p *Plan) readText(r *readings, text string, sure bool) {
	dialled := strings.Map(func(c rune) rune {
		if '0' <= c && c <= '9' || c == '*' || c == '#' || c == '+' {
			return c
		}
		return -1
	}, text)
	if name(text) {
		r.note("", sure)
		begin := strings.TrimLeft(text, "-.() \t/\\'\"<[{=,:!$&?_~^|`")
		if begin == "" || strings.IndexByte("0123456789*#+", begin[0]) < 0 {
			return
		}
		sure = false // letters for a pause or a tone, which no pattern has
	}
	for rest, more := dialled, true; more; {
		if _, rest, more = strings.Cut(rest, "+"); more {
			p.global(r, rest, sure, 0)
		}
	}
	switch first := strings.IndexByte(dialled, '+'); {
	case first < 0:
		p.dialled(r, dialled, sure, 0)
	case first > 0:
		p.dialled(r, strings.ReplaceAll(dialled, "+", ""), false, 0)
	}
}

// name reports whether a text contains more than a number can.
func name(text string) bool {
	return text == "" || strings.Trim(text, "0123456789*#+-.() \t") != ""
}

// global reads a number that begins with a country calling code.
func (p *Plan) global(r *readings, number string, sure bool, depth int) {
	if i := strings.IndexAny(number, "*#+"); i >= 0 {
		number = number[:i]
	}
	if number == "" {
		return
	}
	for _, prefix := range p.country.prefixes {
		r.note(prefix+number, sure)
	}
	national, home := strings.CutPrefix(number, p.country.code)
	if !home {
		r.abroad = true
		return
	}
	for _, t := range p.country.trunks {
		if !strings.HasPrefix(national, t) || len(national) == p.country.length {
			r.note(t+national, sure)
		}
	}
	p.dialled(r, national, sure, depth+1)
}

// dialled reads a string of digits, * and #.
func (p *Plan) dialled(r *readings, s string, sure bool, depth int) {
	if bare := strings.TrimRight(s, "#"); bare != s {
		r.note(s, sure)
		s = bare
	}
	if s == "" {
		return
	}
	f := r.note(s, sure)
	if f.read {
		return
	}
	f.read = true
	if depth > maxDepth {
		r.abroad = true // as in note
		return
	}
	if strings.ContainsAny(s, "*#") {
		p.serviceCode(r, s, sure, depth)
		return
	}
	if p.country.leadsAbroad(s) {
		r.abroad = true
	}
	p.bothTrunks(r, s, sure)
	for _, prefix := range p.country.prefixes {
		if rest := cut(s, prefix); len(rest) >= minInternational && (depth > 0 || !p.beginsOutside(prefix)) {
			p.global(r, rest, sure, depth)
		}
	}
	for _, o := range p.outside {
		p.dialled(r, cut(s, o), sure && depth == 0, depth+1)
	}
	for _, c := range p.country.codes {
		p.dialled(r, cut(s, c), false, depth+1)
	}
}

// beginsOutside reports whether an international prefix begins with an outside-line prefix. Where 0 is dialled for an
// outside line, 0030 is 0 and 030, and 00030 is 0 and 0030.
func (p *Plan) beginsOutside(prefix string) bool {
	return slices.ContainsFunc(p.outside, func(o string) bool { return strings.HasPrefix(prefix, o) })
}

// bothTrunks adds a number of the full national length with and without its trunk prefix, where either may be dialled.
func (p *Plan) bothTrunks(r *readings, s string, sure bool) {
	for _, t := range p.country.trunks {
		if len(s) == p.country.length {
			r.note(t+s, sure)
		} else if rest, ok := strings.CutPrefix(s, t); ok && len(rest) == p.country.length {
			r.note(rest, sure)
		}
	}
}

// serviceCode reads what may follow a service code. That is a number between or after * and # (*31#NUMBER,
// *21*NUMBER#), or directly after the two or three digits of the code (*67NUMBER; codes that begin with 2 or 3 have
// three digits in North America, from memory). Only a code with exactly one number surely leads to that number, since a
// service may take the first of two.
func (p *Plan) serviceCode(r *readings, s string, sure bool, depth int) {
	runs := strings.FieldsFunc(s, func(c rune) bool { return c == '*' || c == '#' })
	coded := s[0] == '*' || s[0] == '#' // the first run is a code
	for i, run := range runs {
		if i > 0 || !coded {
			p.dialled(r, run, sure && coded && len(runs) == 2 && len(runs[0]) <= longestCode, depth+1)
			continue
		}
		p.afterCode(r, run, sure && len(runs) == 1, depth)
	}
}

// afterCode reads a code that is directly followed by a number.
func (p *Plan) afterCode(r *readings, run string, sure bool, depth int) {
	if len(run) <= 2 {
		return
	}
	long := run[0] == '2' || run[0] == '3'
	p.dialled(r, run[2:], sure && !long, depth+1)
	if long {
		p.dialled(r, run[3:], false, depth+1)
	}
}
