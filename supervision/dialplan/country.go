package dialplan

import (
	_ "embed" // how numbers are dialled in each country
	"strconv"
	"strings"
)

//go:embed countries.csv
var countriesData string

// country is one row of countries.csv.
type country struct {
	code     string   // country calling code
	prefixes []string // international prefixes, 00 first
	trunks   []string // trunk prefixes
	length   int      // the least length of a national number that leads abroad
	abroad   []string // the first digits of such numbers
	codes    []string // codes that are dialled before a number
}

// lookup returns the row of a country.
func lookup(iso string) (country, bool) {
	for row := range strings.Lines(countriesData) {
		f := strings.Split(strings.TrimSuffix(row, "\n"), ",")
		if len(f) != 7 || f[0] != iso || len(iso) != 2 {
			continue
		}
		n, _ := strconv.Atoi(f[4]) // an empty field means 0, and then abroad is empty too
		return country{
			code: f[1], prefixes: append([]string{"00"}, strings.Fields(f[2])...), trunks: strings.Fields(f[3]),
			length: n, abroad: strings.Fields(f[5]), codes: strings.Fields(f[6]),
		}, true
	}
	return country{}, false
}

// leadsAbroad reports whether a national number, with or without a trunk prefix, belongs to another country of a shared
// numbering plan.
func (c *country) leadsAbroad(number string) bool {
	if c.begins(number) {
		return true
	}
	for _, t := range c.trunks {
		if rest, ok := strings.CutPrefix(number, t); ok && c.begins(rest) {
			return true
		}
	}
	return false
}

func (c *country) begins(national string) bool {
	for _, a := range c.abroad {
		if len(national) >= c.length && strings.HasPrefix(national, a) {
			return true
		}
	}
	return false
}

// cut removes a code, in which x is any digit, from the front of a number. It returns "" if the number does not begin
// with the code or if nothing follows.
func cut(number, code string) string {
	if p := (pattern{fixed: code, rest: true}); p.matches(number) {
		return number[len(code):]
	}
	return ""
}
