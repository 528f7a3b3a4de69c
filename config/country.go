package config

import (
	_ "embed" // the names of countries
	"slices"
	"strings"
)

//go:embed countries.csv
var countryNames string

// checkCountry reports a country whose emergency numbers are not known. It suggests the code that was probably meant.
func (d *decoder) checkCountry(c *Config) {
	if c.Country == "" {
		return
	}
	if _, err := c.numbers(); err == nil {
		return
	} else if meant := countryMeant(c.Country); meant != "" {
		d.add(d.at("country"), "country: %q is not the country's ISO 3166-1 code; did you mean %s?", c.Country, meant)
	} else {
		d.add(d.at("country"), "%v", err)
	}
}

// countryMeant returns the ISO 3166-1 alpha-2 code of a country that is named in another way: in lower case, by its
// alpha-3 code, by another code that is in use, or by its English name. It returns "" if there is none.
func countryMeant(s string) string {
	for row := range strings.Lines(countryNames) {
		if strings.HasPrefix(row, "#") {
			continue
		}
		words := strings.FieldsFunc(row, func(r rune) bool { return r == ',' || r == '|' || r == '\n' })
		if slices.ContainsFunc(words, func(w string) bool { return strings.EqualFold(w, s) }) {
			return words[0]
		}
	}
	return ""
}
