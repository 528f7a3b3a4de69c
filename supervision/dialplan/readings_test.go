package dialplan

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// text returns the readings in one line. A sure one has a "!", and "abroad" comes last.
func (r *readings) text() string {
	var all []string
	for _, f := range r.forms {
		s := f.digits
		if s == "" {
			s = "name"
		}
		if f.sure {
			s += "!"
		}
		all = append(all, s)
	}
	if r.abroad {
		all = append(all, "abroad")
	}
	return strings.Join(all, " ")
}

// The ways to read a destination, as they would be dialled, with a "!" after each sure one. The national dialling rules
// are from memory of the numbering plans. The numbers are fictitious.
func TestReadings(t *testing.T) {
	for _, c := range []struct {
		setting string // country and outside-line prefixes
		calls   [][2]string
	}{
		{`GB 9`, [][2]string{
			{`5550101`, `5550101!`},
			{`alice`, `name!`},
			{``, `name!`},
			{`-`, `name!`},
			{`5550101p`, `name! 5550101`},
			{`12p34`, `name! 1234`},
			{`pp`, `name!`},
			{`95550101`, `95550101! 5550101!`},
			{`995550101`, `995550101! 95550101! 5550101`},
			{`99`, `99! 9!`},
			{`9`, `9!`},
			{`555-0101`, `5550101!`},
			{`555%2D0101`, `5550101!`},
			{`%3555`, `555!`},
			{`%2535`, `5!`},
			{`%252535`, `5!`},
			{`%25252535`, `name!`},
			{`sip:5550101@pbx`, `5550101!`},
			{`sips:5550101@pbx`, `5550101!`},
			{`tel:5550101`, `5550101!`},
			{`SIP:pbx.example`, `name!`},
			{`sips:pbx`, `name!`},
			{`tel:pbx`, `name!`},
			{`x1:55`, `name 55`},
			{`0111;rn=5550101`, `0111 5550101`},
			{`0111; RN =5550101`, `0111 5550101`},
			{`0111;npdi;x=rn`, `0111!`},
			{`12#34`, `12#34! 12 34`},
			{`*21*5550101`, `*21*5550101! 5550101!`},
			{`*215*5550101`, `*215*5550101! 5 5550101!`},
			{`*2155*5550101`, `*2155*5550101! 55 5 5550101`},
			{`*21*55*66`, `*21*55*66! 55 66`},
			{`#55*66#`, `#55*66#! #55*66! 66!`},
			{`112:55`, `112 55`},
			{`al1ce`, `name!`},
			{`-5a`, `name! 5`},
			{`sip:192.0.2.5`, `name!`},
			{`SIPS:192.0.2.5`, `name!`},
			{` sip:192.0.2.5`, `name!`},
			{`http:55`, `55!`},
			{`a:b@c`, `name!`},
			{`5;isub=1`, `5!`},
			{`5550101:word@x`, `5550101 name`},
			{`0111;phone-context=+49`, `0111! 00490111 abroad`},
			{`0111;phone-context=example.com`, `0111!`},
			{`01632960101`, `01632960101!`},
			{`+441632960101`, `00441632960101! 01632960101! 1632960101! 960101 60101`},
			{`+4401632960101`, `004401632960101! 01632960101!`},
			{`00441632960101`, `00441632960101! 01632960101! 1632960101! 960101 60101`},
			{`+49`, `0049! abroad`},
			{`+`, `name!`},
			{`++4930`, `004930! abroad`},
			{`5+441632`, `00441632! 01632! 1632! 5441632`},
			{`+44*1`, `0044! 0!`},
			{`+*1`, `name!`},
			{`12#`, `12#! 12!`},
			{`#`, `#!`},
			{`##`, `##!`},
			{`*98`, `*98!`},
			{`*98#`, `*98#! *98!`},
			{`#31#5550101`, `#31#5550101! 5550101!`},
			{`*675550101`, `*675550101! 5550101!`},
			{`*675550101*66`, `*675550101*66! 5550101 66`},
			{`*67`, `*67!`},
			{`*6755`, `*6755! 55!`},
			{`*272004`, `*272004! 2004 004`},
			{`*2720`, `*2720! 20 0 name`},
			{`*27`, `*27!`},
			{`*31#5550101`, `*31#5550101! 5550101!`},
			{`14155`, `14155! 55`},
			{`147055`, `147055! 55`},
			{`1270`, `1270!`},
			{`127`, `127!`},
			{`18xxx`, `name! 18`},
			{`90044163`, `90044163! 0044163!`},
			{`900441632`, `900441632! 00441632! 01632! 1632!`},
			{`00441`, `00441!`},
			{`0049123`, `0049123!`},
			{`00491234`, `00491234! abroad`},
		}},
		{`DE 0`, [][2]string{
			{`00305550101`, `00305550101! 0305550101! 305550101`},
			{`0030555`, `0030555! 030555! 30555`},
			{`000441632960101`, `000441632960101! 00441632960101! 0441632960101 441632960101 abroad`},
			{`004416329601`, `004416329601! 04416329601! 4416329601`},
			{`+49305550101`, `0049305550101! 0305550101! 305550101!`},
			{`+490044163296010`, `00490044163296010! 0044163296010! 044163296010 44163296010 abroad`},
			{`0100123055`, `0100123055! 100123055! 23055 3055`},
			{`010012`, `010012! 10012! 2`},
		}},
		{`US`, [][2]string{
			{`2125550101`, `2125550101! 12125550101! 02125550101!`},
			{`12125550101`, `12125550101! 2125550101!`},
			{`212555010`, `212555010!`},
			{`8765550101`, `8765550101! 18765550101! 08765550101! abroad`},
			{`18765550101`, `18765550101! 8765550101! abroad`},
			{`876555010`, `876555010!`},
			{`187655501011`, `187655501011! abroad`},
			{`+12125550101`, `0012125550101! 01112125550101! 0112125550101! 12125550101! 02125550101! 2125550101!`},
			{`+112125550101`, `00112125550101! 011112125550101! 01112125550101! 012125550101! 12125550101! 2125550101!`},
			{`01112125550101`, `01112125550101! 0012125550101! 0112125550101! 12125550101! 02125550101! 2125550101! 00112125550101! 011112125550101! 012125550101!`},
			{`0112125550101`, `0112125550101! 002125550101! 012125550101! 0012125550101! 01112125550101! 12125550101! 02125550101! 2125550101! abroad`},
			{`*82212`, `*82212! 212!`},
			{`*82`, `*82!`},
			{`*2012125550101`, `*2012125550101! 12125550101 2125550101 02125550101`},
			{`*301`, `*301! 1`},
			{`10155512`, `10155512! 2`},
			{`08765550101`, `08765550101! 8765550101! abroad`},
		}},
		{`RU`, [][2]string{
			{`84955550101`, `84955550101! 4955550101!`},
			{`4955550101`, `4955550101! 84955550101!`},
			{`87175550101`, `87175550101! 7175550101! abroad`},
			{`81049301234`, `81049301234! 1049301234! 0049301234! 82649301234! 82749301234! 82849301234! 82949301234! 85649301234! 85749301234! 85849301234! 85949301234! abroad`},
			{`+74955550101`, `0074955550101! 81074955550101! 82674955550101! 82774955550101! 82874955550101! 82974955550101! 85674955550101! 85774955550101! 85874955550101! 85974955550101! 84955550101! 4955550101!`},
			{`+784955550101`, `00784955550101! 810784955550101! 826784955550101! 827784955550101! 828784955550101! 829784955550101! 856784955550101! 857784955550101! 858784955550101! 859784955550101! 84955550101! 4955550101!`},
		}},
		{`IT`, [][2]string{
			{`065550101`, `065550101!`},
			{`+39065550101`, `0039065550101! 065550101!`},
		}},
	} {
		f := strings.Fields(c.setting)
		p := plan(t, Options{Country: f[0], Prefixes: f[1:]})
		for _, call := range c.calls {
			var r readings
			p.read(&r, call[0])
			require.Equal(t, call[1], r.text(), "%s: %q", c.setting, call[0])
			require.Equal(t, strings.Fields(strings.NewReplacer("!", "", "name", "", "abroad", "").Replace(call[1])),
				append([]string{}, p.Readings(call[0])...))
		}
	}
}

// A sure form stays sure. A destination with too many readings counts as one of another country.
func TestReadingsAreBounded(t *testing.T) {
	require.Equal(t, []int{256, 6, 64, 6, 3, 32}, []int{maxDestination, maxDepth, maxReadings, minInternational,
		longestCode, patternLimit},
		"as in their comments")
	var r readings
	require.False(t, r.note("1", false).sure)
	require.True(t, r.note("1", true).sure)
	require.True(t, r.note("1", false).sure)
	for i := range maxReadings - 1 {
		r.note(strings.Repeat("2", i+1), true)
	}
	require.False(t, r.abroad)
	require.Len(t, r.forms, maxReadings)
	require.True(t, r.note("3", true).read)
	require.True(t, r.abroad)
	require.Len(t, r.forms, maxReadings)

	gb := plan(t, Options{Country: "GB", Prefixes: []string{"9"}})
	require.Empty(t, gb.Judge(strings.Repeat("5", 256)))
	require.Equal(t, International, gb.Judge(strings.Repeat("5", 257)))
	r = readings{}
	gb.read(&r, strings.Repeat("5", 257))
	require.Equal(t, "name! abroad", r.text())
	require.Empty(t, gb.Judge("999999"+"5550101"), "six prefixes")
	require.Equal(t, International, gb.Judge("9999999"+"5550101"), "seven")
	require.Empty(t, gb.Judge("+4499999"+"5550101"), "a country calling code and five prefixes")
	require.Equal(t, International, gb.Judge("+44999999"+"5550101"), "and six")
	for _, code := range []string{"*67", "*310", "*31#"} {
		require.Empty(t, gb.Judge(code+"99999"+"5550101"), "%s and five prefixes", code)
		require.Equal(t, International, gb.Judge(code+"999999"+"5550101"), "%s and six", code)
	}
	require.NotContains(t, gb.Readings("99999999"+"5550101"), "5550101", "what lies deeper is not looked for")
	require.Empty(t, gb.Judge(strings.Repeat("141", 6)+"5550101"))
	require.Equal(t, International, gb.Judge(strings.Repeat("141", 7)+"5550101"))
}

func TestPatternSyntax(t *testing.T) {
	for _, s := range []string{"1", "x", "*", "#", "1*", "*98#", strings.Repeat("1", 32), strings.Repeat("1", 31) +
		"*"} {
		require.NoError(t, CheckPattern(s), s)
	}
	for _, s := range []string{"", "+1", "X", "1-2", " 1", strings.Repeat("1", 33), strings.Repeat("1", 32) + "*"} {
		require.ErrorContains(t, CheckPattern(s), "is no pattern of numbers", s)
	}
}

func TestLookup(t *testing.T) {
	for _, iso := range []string{"GB", "US", "IT"} {
		_, ok := lookup(iso)
		require.True(t, ok, iso)
	}
	for _, iso := range []string{"", "G", "gb", "GBR", "XX", "iso", "# "} {
		_, ok := lookup(iso)
		require.False(t, ok, iso)
	}
	us, _ := lookup("US")
	require.Equal(t, []any{"1", []string{"00", "011", "01"}, []string{"1", "0"}, 10,
		[]string{"101xxxx", "1167", "1182"}}, []any{us.code, us.prefixes, us.trunks, us.length, us.codes})
	require.Len(t, us.abroad, 21)
}

// A pattern that allows only numbers of other countries allows nothing. A pattern that includes some of this country
// does.
func TestOnlyInternational(t *testing.T) {
	for _, c := range []struct {
		setting, pattern string
		want             bool
	}{
		{"GB", "0049*", true}, {"GB", "0044*", false}, {"GB", "004x*", false}, {"GB", "00x9*", true},
		{"GB", "00x*", false}, {"GB", "00*", false}, {"GB", "0", false},
		{"GB", "005", true}, {"GB", "004", false}, {"GB", "00441", false}, {"GB", "0044", false},
		{"GB 0", "0049*", false}, {"GB 9", "0049*", true},
		{"US", "0111*", false}, {"US", "01144*", true}, {"US", "876xxxxxxx", true}, {"US", "876xxxxxx", false},
		{"US", "1876xxxxxxx*", true}, {"US", "2125550101", false},
		{"MY", "02xxxxxxxx", true}, {"MY", "03xxxxxxxx", false},
	} {
		f := strings.Fields(c.setting)
		p := plan(t, Options{Country: f[0], Prefixes: f[1:]})
		a, err := parsePattern(c.pattern)
		require.NoError(t, err)
		require.Equal(t, c.want, p.onlyInternational(a), "%+v", c)
	}
}

// One pattern covers another if it matches everything that the other matches.
func TestCovers(t *testing.T) {
	for _, c := range []struct {
		p, q string
		want bool
	}{
		{"55*", "55*", true}, {"55*", "555", true}, {"55*", "55", true}, {"55*", "5*", false}, {"555", "55*", false},
		{"555", "555", true}, {"555", "555*", false},
		{"55x", "555", true}, {"55x", "55x", true}, {"555", "55x", false}, {"5x5*", "535x", true},
		{"5x5*", "53x", false}, {"xx", "1#", false}, {"*", "*", true}, {"*", "1", true},
		{"x", "0", true}, {"x", "9", true}, {"5555", "555", false},
	} {
		p, err := parsePattern(c.p)
		require.NoError(t, err)
		q, err := parsePattern(c.q)
		require.NoError(t, err)
		require.Equal(t, c.want, p.covers(q), "%+v", c)
	}
}
