package config

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/supervision"
)

// The alpha-2 and alpha-3 codes are those of ISO 3166-1. UK and EL are the European Union's codes (interinstitutional
// style guide, section 7.1.1, from memory).
func TestCountryMeant(t *testing.T) {
	for wrong, want := range map[string]string{
		"UK": "GB", "gb": "GB", "GBR": "GB", "United Kingdom": "GB", "EL": "GR", "DEU": "DE", "germany": "DE", "USA": "US",
		"us": "US", "DD": "DE", "Holland": "NL", "": "", "ZZ": "", "SU": "", "EU": "", "G": "", "United": "",
	} {
		require.Equal(t, want, countryMeant(wrong), wrong)
		if want != "" {
			_, faults := Parse("f", []byte(strings.Replace(small, "GB", `"`+wrong+`"`, 1)), millraceEnv())
			require.Equal(t, `f:1:10: country: "`+wrong+`" is not the country's ISO 3166-1 code; did you mean `+want+"?\n",
				faults.String())
		}
	}
}

// Every country with emergency numbers has one row, and no word leads to two countries or to a code that is right.
func TestCountryNames(t *testing.T) {
	owner := map[string]string{}
	var codes []string
	for row := range strings.Lines(countryNames) {
		if strings.HasPrefix(row, "#") {
			continue
		}
		columns := strings.Split(strings.TrimSuffix(row, "\n"), ",")
		require.Len(t, columns, 4, row)
		require.Len(t, columns[1], 3, row)
		codes = append(codes, columns[0])
		for _, w := range append(columns[:3:3], strings.Split(columns[3], "|")...) {
			require.Empty(t, owner[strings.ToLower(w)], w)
			if w != "" {
				owner[strings.ToLower(w)] = columns[0]
			}
		}
	}
	require.Equal(t, supervision.Countries(), codes)
}
