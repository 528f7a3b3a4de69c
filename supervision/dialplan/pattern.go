package dialplan

import (
	"errors"
	"strings"
)

// patternLimit is the longest pattern: an E.164 number (15 digits) with prefixes and codes before it.
const patternLimit = 32

// pattern is a parsed pattern.
type pattern struct {
	fixed string // digits, x, * and #
	rest  bool   // anything may follow
}

// CheckPattern returns nil if s is a pattern. Otherwise the error ends the sentence `"TEXT" ...`.
func CheckPattern(s string) error {
	_, err := parsePattern(s)
	return err
}

func parsePattern(s string) (pattern, error) {
	p := pattern{fixed: s}
	p.fixed, p.rest = strings.CutSuffix(s, "*")
	if s == "" || len(s) > patternLimit || strings.Trim(p.fixed, "0123456789x*#") != "" {
		return p, errors.New("is no pattern of numbers; allowed: 1 to 32 of 0-9, x for any digit, * and # as they are dialled, and a * at the end for any rest, such as 555xxxx, 1xx or 0800*; the + is written 00")
	}
	return p, nil
}

// matches reports whether a dialled string of digits, * and # matches the pattern.
func (p pattern) matches(s string) bool {
	if len(s) < len(p.fixed) || len(s) > len(p.fixed) && !p.rest {
		return false
	}
	for i := range len(p.fixed) {
		if !within(p.fixed[i], s[i]) {
			return false
		}
	}
	return true
}

func (p pattern) everything() bool { return p.fixed == "" && p.rest }

// covers reports whether p matches everything that q matches.
func (p pattern) covers(q pattern) bool {
	if len(q.fixed) < len(p.fixed) || !p.rest && (q.rest || len(q.fixed) > len(p.fixed)) {
		return false
	}
	for i := range len(p.fixed) {
		if !within(p.fixed[i], q.fixed[i]) {
			return false
		}
	}
	return true
}

// within reports whether the pattern character c covers other, which may itself be an x.
func within(c, other byte) bool {
	return c == other || c == 'x' && '0' <= other && other <= '9'
}
