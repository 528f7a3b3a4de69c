package transport_test

import (
	"testing"

	"clearback/bridge/relay/transport"

	"github.com/stretchr/testify/require"
)

// TestPointer has the examples of RFC 6901, section 5, that lead to simple values, and our own.
func TestPointer(t *testing.T) {
	const document = `{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}`
	for _, c := range [][3]string{
		{document, "/foo/0", "bar"}, {document, "/", "0"}, {document, "/a~1b", "1"}, {document, "/c%d", "2"},
		{document, "/e^f", "3"},
		{document, "/g|h", "4"}, {document, `/i\j`, "5"}, {document, `/k"l`, "6"}, {document, "/ ", "7"},
		{document, "/m~0n", "8"},
		{`{"~1": {"on": true}}`, "/~01/on", "true"}, {` [ 1.50 , null, "\u006fn"] `, "/0", "1.50"},
		{`[1, null]`, "/1", "null"}, {`["\u006fn"]`, "/0", "on"},
		{" ON\r\n", "", "ON"}, {"", "", ""}, {`{"a":1,"a":2}`, "/a", "2"},
	} {
		got, err := transport.Value([]byte(c[0]), c[1])
		require.NoError(t, err, "%s of %s", c[1], c[0])
		require.Equal(t, c[2], got)
	}
	for _, c := range [][2]string{
		{document, "/foo"}, {document, "/foo/2"}, {document, "/foo/-"}, {document, "/foo/00"}, {document, "/foo/01"},
		{document, "/foo/9999999999999999999"},
		{document, "/foo/0/x"}, {document, "/none"}, {"", "/a"}, {"ON", "/a"}, {`{"a":1`, "/a"}, {`{"a":1} x`, "/a"},
		{`{"a":{}}`, "/a"}, {`5`, "/a"},
	} {
		_, err := transport.Value([]byte(c[0]), c[1])
		require.ErrorIs(t, err, transport.ErrValue, "%s of %s", c[1], c[0])
	}
}

func FuzzValue(f *testing.F) {
	f.Add([]byte(`{"a":[1,{"~":"x"}]}`), "/a/1/~0")
	f.Add([]byte("ON"), "")
	f.Fuzz(func(t *testing.T, answer []byte, pointer string) {
		if transport.CheckPointer(pointer) != nil {
			return
		}
		// an invalid UTF-8 byte becomes three
		if v, err := transport.Value(answer, pointer); err == nil && len(v) > 3*len(answer) {
			t.Fatalf("%q from %q", v, answer)
		}
	})
}
