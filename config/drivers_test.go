package config

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"clearback/bridge/relay"
)

// lever has the options of a driver made for this test. Its faults use every field of a fault.
type lever struct {
	Rope    string
	Lengths []string
}

func (l *lever) Check() []relay.Fault {
	var f relay.Faults
	if l.Rope == "" {
		f = append(f, relay.Missing("rope", "it is required: add it here"))
	}
	if len(l.Rope) > 5 {
		f.Add("rope", "%q is too long; shorten it", l.Rope)
	}
	f = append(f, relay.Fault{Key: "lengths", At: "lengths[1]", Problem: "the second is longer; swap them"},
		relay.Fault{Problem: "two ends are needed; add one", Unless: "rope"})
	return f
}

// TestDriverSaysWhatIsWrong checks that a driver needs only a row: its keys are read, and its faults are shown at their
// places. A key that could not be read is reported only once.
func TestDriverSaysWhatIsWrong(t *testing.T) {
	const swap = "c.lever.lengths: the second is longer; swap them\n"
	for file, want := range map[string]string{
		"{rope: hempen-rope, lengths: [1m, 2m]}": "f:1:8: c.lever: two ends are needed; add one\n" +
			"f:1:15: c.lever.rope: \"hempen-rope\" is too long; shorten it\nf:1:42: " + swap,
		"{rope: hemp, lengths: [1m, 2m]}": "f:1:8: c.lever: two ends are needed; add one\nf:1:35: " + swap,
		"{lengths: [1m, 2m]}": "f:1:8: c.lever.rope is missing; it is required: add it here\n" +
			"f:1:23: " + swap,
		"{rope: [], lengths: [1m, 2m]}": "f:1:15: c.lever.rope: this is a list, but it has to be a material; " +
			"put a text that looks like something else in quotes\nf:1:33: " + swap,
	} {
		var l lever
		made := driver{name: "lever", controller: "lever",
			controllerKey: func(*Controller) key {
				return nested("lever", []key{required(text("rope", &l.Rope, "a material")),
					literals("lengths", &l.Lengths)})
			},
			check: func(*Controller) []relay.Fault { return l.Check() }}
		var doc yaml.Node
		require.NoError(t, yaml.Unmarshal([]byte("lever: "+file), &doc))
		c := Controller{Name: "loft", Driver: "lever"}
		d := newDecoder("f", Env{})
		d.mapping(doc.Content[0], "c", []key{made.controllerKey(&c)})
		d.checkController(&c, &made, "c", nil)
		require.Equal(t, want, d.sorted().String(), file)
	}
}

// TestWordOfASecretHeader checks that a fault in the value of a header field is shown at the secret from which the
// value comes, and does not quote it.
func TestWordOfASecretHeader(t *testing.T) {
	env := Env{ReadFile: millraceEnv().ReadFile, Getenv: func(string) (string, bool) { return "curtain-{nobody}", true }}
	_, faults := Parse("f", []byte(contactForm{"http",
		`http: {url: "http://192.0.2.60", headers: [{name: X-Key, secret: {env: KEY}}]}`, ""}.file()), env)
	require.Equal(t, "f:3:108: controllers[0].http.headers[0].secret: it contains a word in braces that is not allowed "+
		"there; allowed: {line} {contact} {user} {password}\n", faults.String())
}
