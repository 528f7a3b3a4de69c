// Package dialplan decides what a line may call, by patterns that are allowed or denied and by whether the number
// belongs to another country. It has nothing to do with emergency numbers: they are recognised before and always pass.
package dialplan

import (
	"fmt"
	"slices"
)

// Options of [New].
type Options struct {
	// Country is the ISO 3166-1 alpha-2 code.
	Country string
	// Prefixes are outside-line prefixes, digits.
	Prefixes []string
	// Allow and Deny are patterns: digits, x for any digit, and a * at the end for any rest. A * elsewhere and a #
	// stand for themselves.
	Allow, Deny []string
	// International allows numbers of other countries.
	International bool
}

// Plan decides about destinations. It is immutable and safe for concurrent use.
type Plan struct {
	country       country
	outside       []string
	allow, deny   []pattern
	international bool
}

// PatternError is the error of [New] for a pattern.
type PatternError struct {
	List    string // "allow" or "deny"
	Index   int
	Pattern string
	// Problem ends the sentence `"PATTERN" ...`.
	Problem string
}

func (e *PatternError) Error() string {
	return fmt.Sprintf("%s[%d]: %q %s", e.List, e.Index, e.Pattern, e.Problem)
}

// New checks the options. The error is a [*PatternError] if a pattern is not valid, or if Allow has a pattern of which
// no number may be called.
func New(o Options) (*Plan, error) {
	c, ok := lookup(o.Country)
	if !ok {
		return nil, fmt.Errorf("country %q: its country calling code is not known; take an ISO 3166-1 code of two capital letters that the list of emergency numbers has",
			o.Country)
	}
	p := &Plan{country: c, outside: slices.Clone(o.Prefixes), international: o.International}
	var err error
	if p.deny, err = patterns("deny", o.Deny); err != nil {
		return nil, err
	}
	if p.allow, err = patterns("allow", o.Allow); err != nil {
		return nil, err
	}
	for i, a := range p.allow {
		if why := p.matchesNothing(a, o.Deny); why != "" {
			return nil, &PatternError{List: "allow", Index: i, Pattern: o.Allow[i], Problem: why}
		}
	}
	return p, nil
}

func patterns(list string, texts []string) ([]pattern, error) {
	var all []pattern
	for i, s := range texts {
		q, err := parsePattern(s)
		if err != nil {
			return nil, &PatternError{List: list, Index: i, Pattern: s, Problem: err.Error()}
		}
		all = append(all, q)
	}
	return all, nil
}

// matchesNothing returns why no number of an allowed pattern may be called, or "" if one may.
func (p *Plan) matchesNothing(a pattern, deny []string) string {
	for i, q := range p.deny {
		if q.covers(a) {
			return fmt.Sprintf("allows nothing, since deny has %q, and deny wins; remove one of them", deny[i])
		}
	}
	if !p.international && p.onlyInternational(a) {
		return "allows nothing, since it has only numbers of another country; write international: true too, and allow then says which"
	}
	return ""
}

// onlyInternational reports whether every number of the pattern belongs to another country.
func (p *Plan) onlyInternational(a pattern) bool {
	if p.country.leadsAbroad(a.fixed) {
		return true
	}
	for _, prefix := range p.country.prefixes {
		if rest := cut(a.fixed, prefix); !p.beginsOutside(prefix) {
			n := min(len(rest), len(p.country.code))
			for i := range n {
				if !within(rest[i], p.country.code[i]) {
					return true
				}
			}
		}
	}
	return false
}

// CallingCode returns the country calling code of the plan's country, digits only.
func (p *Plan) CallingCode() string { return p.country.code }

// Refusal is why a destination may not be called, or "" if it may.
type Refusal string

// The reasons. Each ends the sentence "the line may not dial this number: it is ...".
const (
	Denied        Refusal = "denied"
	International Refusal = "a number of another country"
	NotAllowed    Refusal = "not among those allowed"
)

// Judge returns whether a destination may be called. number is the destination as the adapter wrote it: the user part
// of a URI, a tel or sip URI, or a dialled string.
func (p *Plan) Judge(number string) Refusal {
	if p.international && p.allow == nil && p.deny == nil {
		return ""
	}
	var r readings
	p.read(&r, number)
	switch {
	case r.any(p.deny, false):
		return Denied
	case r.abroad && !p.international:
		return International
	case p.allow != nil && !r.any(p.allow, true):
		return NotAllowed
	}
	return ""
}

// Readings returns the ways in which a service may understand a destination, as dialled strings. They lack the
// outside-line prefix and the codes before the number, so that an emergency number behind those can be found.
func (p *Plan) Readings(number string) []string {
	var r readings
	p.read(&r, number)
	var all []string
	for _, f := range r.forms {
		if f.digits != "" {
			all = append(all, f.digits)
		}
	}
	return all
}
