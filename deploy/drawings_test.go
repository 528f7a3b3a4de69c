package deploy

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a drawing may consist of: shapes and text in black on white, which look the same in every viewer and on paper.
var (
	drawingElements = []string{"svg", "title", "desc", "defs", "g", "use", "rect", "path", "circle", "text"}
	drawingColours  = []string{"#000", "#fff", "none"}
)

// drawingCautions are parts of the cautions in each drawing.
var drawingCautions = []string{"Cautions", "hurt", "ull the plug", "licensed person", "public exchange", "call for help",
	"Lightning protection and its earth follow local code", "Test ", "after each change", "bypass", "SAFETY.md"}

// drawingFault says what is wrong with an SVG file, or returns "".
func drawingFault(svg string) string {
	d := xml.NewDecoder(strings.NewReader(svg))
	var open []string
	caution := false             // the present text is one
	texts := map[string]string{} // by element
	for {
		token, err := d.Token()
		switch {
		case errors.Is(err, io.EOF):
			for _, name := range []string{"title", "desc"} {
				if len(strings.TrimSpace(texts[name])) < 10 {
					return "it says too little in its " + name
				}
			}
			for _, c := range drawingCautions {
				if !strings.Contains(texts["text"], c) {
					return fmt.Sprintf("no caution says %q", c)
				}
			}
			return ""
		case err != nil:
			return err.Error()
		}
		switch token := token.(type) {
		case xml.Directive, xml.ProcInst:
			return "it has more than elements"
		case xml.CharData:
			if n := len(open); n > 0 {
				texts[open[n-1]] += string(token)
				if letters := utf8.RuneCountInString(string(token)); caution && letters > cautionLetters {
					return fmt.Sprintf("a caution of %d letters leaves its frame: %s", letters, token)
				}
			}
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.StartElement:
			name := token.Name.Local
			if !slices.Contains(drawingElements, name) {
				return "it has an element " + name
			}
			if fault := attributesFault(name, token.Attr); fault != "" {
				return fault
			}
			open = append(open, name)
			caution = slices.ContainsFunc(token.Attr, func(a xml.Attr) bool {
				return a.Name.Local == "x" && a.Value == cautionColumn
			})
		}
	}
}

func attributesFault(element string, all []xml.Attr) string {
	has := map[string]string{}
	for _, a := range all {
		has[a.Name.Local] = a.Value
		switch name := a.Name.Local; {
		case strings.HasPrefix(strings.ToLower(name), "on"), name == "style":
			return "it has an attribute " + name
		case name == "href" && !strings.HasPrefix(a.Value, "#"), strings.Contains(a.Value, "url("):
			return "it refers to " + a.Value
		case (name == "fill" || name == "stroke") && !slices.Contains(drawingColours, a.Value):
			return "it has the colour " + a.Value
		}
	}
	if element == "svg" && (has["viewBox"] == "" || has["role"] != "img" || has["aria-labelledby"] != "title desc") {
		return "its root needs a viewBox, and a role and labels for readers who cannot see"
	}
	if (element == "title" || element == "desc") && has["id"] != element {
		return "its " + element + " needs an id"
	}
	return ""
}

// Cautions begin at this column. Their frame has room for so many letters of a wide font, measured with DejaVu Sans.
const (
	cautionColumn  = "36"
	cautionLetters = 118
)

// TestDrawings checks that each drawing can be read by everybody, refers to nothing outside, and has its cautions.
func TestDrawings(t *testing.T) {
	all, err := filepath.Glob("drawings/*")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(all), 3)
	for _, file := range all {
		svg := string(read(t, file))
		assert.Empty(t, drawingFault(svg), file)
		assert.Less(t, len(svg), 10_000, file)
	}

	good := string(read(t, "drawings/one-line.svg"))
	for _, tt := range []struct{ from, to, fault string }{
		{"</desc>", "</dsc>", "element <desc> closed by </dsc>"},
		{"<title id=\"title\">One line: the relay contact in series with one leg of the pair", `<title id="title">One`,
			"title"},
		{`<desc id="desc">`, `<desc>`, "needs an id"},
		{` role="img"`, "", "role"},
		{"</svg>", "<script>1</script></svg>", "element script"},
		{"</svg>", `<image href="http://millrace.example/a.png"/></svg>`, "element image"},
		{"</svg>", `<use href="other.svg#a"/></svg>`, "refers to other.svg#a"},
		{"</svg>", `<rect fill="url(http://millrace.example)"/></svg>`, "refers to url("},
		{"</svg>", `<rect onclick="1"/></svg>`, "attribute onclick"},
		{"</svg>", `<rect stroke="#999"/></svg>`, "colour #999"},
		{"<svg", `<?xml-stylesheet href="a.css"?><svg`, "more than elements"},
		{"Never connect this to a pair that still carries a public exchange's service", "", "public exchange"},
		{"after each change", "", "after each change"},
		{"Fit the bypass, and show", "Fit the bypass at the height of your eyes, beside the line card, and show",
			"leaves its frame"},
	} {
		require.Contains(t, drawingFault(strings.Replace(good, tt.from, tt.to, 1)), tt.fault)
	}
}
