package config

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A text that is not YAML is reported with the line on which a person sees the fault.
func TestFaultLine(t *testing.T) {
	for text, want := range map[string]int{
		"a: 1\nb: 2\nc:\n  - x: 1\n   y: 2\n": 5,
		"a: 1\nb: 2\n c: 3\n":                 3,
		"a: 1\nb: \"abc\nd: 3\ne: 4\n":        2,
		"a: 1\nb: [1, 2\nd: 3\ne: 4\n":        2,
		"a: 1\nb: 2\n\tc: 3\n":                3,
		"a: 1\nb 2\nc: 3\n":                   2,
		"a: 1\nb: c: 3\n":                     2,
		"a: 1\nb: *x\nc: 3\n":                 2,
		"a:\n  b: 1\n  c\n  d: 2\n":           3,
		"a: 1\n# a comment\n\nb: 2\n  c: 3\n": 5,
		"a: 1\nb: 'abc'd\nc: 3\n":             2,
		"a: 1\n- b\n":                         2,
		"lines:\n  - name: x\n    adapter:\n     a: 1\n    b: 2\n  c: 3\n": 6,
	} {
		d := &decoder{}
		require.Nil(t, d.document([]byte(text)), text)
		require.Len(t, d.faults, 1, text)
		require.Equal(t, want, d.faults[0].Line, "%s\n%v", text, d.faults[0])
	}
}
