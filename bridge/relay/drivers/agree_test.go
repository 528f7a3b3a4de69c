package drivers

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"clearback/bridge/relay"
	"clearback/config"

	"pgregory.net/rapid"
)

// choices are the valid and invalid values of a key. "" omits the key, and "{" draws a nested mapping.
type choices struct {
	key    string
	values []string
	below  []choices
}

func one(key string, values ...string) choices { return choices{key: key, values: append(values, "")} }

func block(key string, below ...choices) choices { return choices{key: key, below: below} }

// pick draws the first value, which is valid, more often than the others.
func (c choices) pick(t *rapid.T) string {
	if rapid.IntRange(0, 3).Draw(t, "first") > 0 {
		return c.values[0]
	}
	return rapid.SampledFrom(c.values).Draw(t, c.key)
}

// draw writes a mapping in flow style.
func draw(t *rapid.T, all []choices) string {
	var parts []string
	for _, c := range all {
		switch {
		case c.below != nil:
			if rapid.Bool().Draw(t, c.key) {
				parts = append(parts, c.key+": "+draw(t, c.below))
			}
		default:
			if v := c.pick(t); v != "" {
				parts = append(parts, c.key+": "+v)
			}
		}
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

var (
	peer = []choices{one("user", "clearback", "'a:b'", "a b"), one("password", "{env: A}", "{env: B}"),
		{key: "server_name", values: []string{"", "attic.millrace.example"}}, one("timeout", "20ms", "10s", "19ms")}
	// length lists the keys of a timer.
	length = []choices{one("unit", "1ms", "100ms", "1500us"),
		{key: "limit", values: []string{"3s", "3s", "3s", "1ms", "1h", "2h", ""}}}
	message = []choices{{key: "topic", values: []string{"a/b", "a/b", "c", "'a/#'", "/a", "a//b", "$SYS/a",
		`"a\u0001b"`}}, {key: "payload", values: []string{"'{ms}'", "'{s}'", "1", "0", "true", "''"}}}
	two = []choices{{key: "open", values: []string{"[1]", "[on, 1]", "[]"}},
		{key: "closed", values: []string{"[0]", "[off, null]", "[1]"}}, one("pointer", "/on", "/a~1b", "on", "/a~2")}
	request = []choices{
		one("method", "POST", "GET", "PUT"), {key: "path", values: []string{"'/a?ms={ms}'", "'/a?s={s}'", "/a",
			"'/{line}/{contact}'", "a", "'/{user}'", "'/%zz'", "'/a?x=ä'", "'/{password}'", "'/{Seq}'", "'/{a'"}},
		one("body", `'{"ms":{ms}}'`, "'{seq}'", "x", "'{word}'"), one("content_type", "text/plain", `"a\u0007"`),
		one("success", "[200]", "[200, 302]", "[600]", "[]"), one("refused", "[404]", "[200]"),
		one("headers", "[{name: X-Key, value: '{seq}'}]", "[{name: Host, value: a}]",
			"[{name: X-Key, value: '{nobody}'}]", "[{name: 'X Key', value: a}]", "[{name: X-Key, value: 'a {user}'}]"),
		block("expect", one("pointer", "/ok", "ok"), one("values", "[true]", "[]")),
	}
	consents = "accept_open_if_daemon_dies: true, accept_open_if_power_fails: true"
)

// ways lists the settings of each driver: the controller's block with its keys, and the contact's keys.
var ways = []struct {
	driver, at          string
	controller, contact []choices
}{
	{"modbus", "modbus", []choices{one("address", "'192.0.2.30:502'", "'[2001:db8::1]:502'", "relays", "'a:70000'"),
		one("timeout", "20ms", "10s", "11s")}, modbusKeys},
	{"modbus-rtu", "rtu", []choices{one("device", "/dev/ttyS9", "ttyS9"), one("baud", "300", "4000000", "299"),
		one("parity", "even", "odd", "none", "mark"), one("stop_bits", "1", "2", "3"),
		one("timeout", "20ms", "10s", "19ms"),
		block("rs485", one("send", "high", "low"), one("delay_before", "0s", "100ms", "101ms", "1500us"),
			one("delay_after", "1ms", "-1ms"))}, modbusKeys},
	{"gpio", "gpio", []choices{one("chip", "gpiochip0", "/dev/gpiochip1", "some label")},
		[]choices{one("open_level", "on", "off"), block("gpio", one("line", "17", "RELAY1"),
			one("active_low", "true", "false"),
			one("drive", "push-pull", "open-drain", "open-source", "hard"),
			one("bias", "as-is", "disabled", "pull-up", "pull-down", "up"),
			block("sense", one("line", "17", "18", "IN"), one("bias", "pull-up"), one("current_when", "on", "off"),
				one("debounce", "0s", "1s", "-1s", "11s")))}},
	{"serial", "serial", []choices{one("device", "/dev/ttyS9", "ttyS9")},
		[]choices{one("open_level", "on", "off"), block("serial", one("line", "rts", "dtr", "txd"),
			block("sense", one("line", "cts", "dsr", "dcd", "ri", "rxd"), one("current_when", "on", "off")))}},
	{"mqtt", "mqtt", append([]choices{{key: "address", values: []string{"'mqtt://broker.millrace.example:1883'",
		"'mqtt://192.0.2.7:1'", "'mqtts://broker.millrace.example:8883'", "'mqtt://a@b:1883'", "'mqtt://b:1883/x'",
		"'mqtt://b'"}},
		one("client_id", "a", "a_b-23", "a b", "abcdefghijklmnopqrstuvwx"),
		one("keep_alive", "1s", "1m", "1500ms", "61s")}, peer...),
		[]choices{block("mqtt", one("prefix", "a/b", "/a", "a", "'a+b'", "a//b"), one("limit", "1s", "3s", "2h", "1ms"),
			one("sense", "true", "false"), block("plain", one("accept_late_opening", "true", "true", "false"),
				block("timed", append(message, length...)...),
				block("open", message...), block("close", message...), block("state", append(message[:1:1], two...)...),
				block("sense", append(message[:1:1], two...)...),
				block("available", append(message[:1:1], one("online", "[true]", "[1]"),
					one("offline", "[false]", "[1]"))...)))}},
	{"http", "http", append([]choices{{key: "url", values: []string{"'http://192.0.2.60'",
		"'https://attic.millrace.example/api/'", "'http://[2001:db8::1]:80'", "'http://a@b'", "'http://b/?x'",
		"'http://b#'", "'ftp://b'", "'http://b/%zz'", "'http://b/a b'"}},
		one("headers", "[{name: X-Key, value: k}]", "[{name: Te, value: k}]", "[{name: Content-Type, value: k}]",
			"[{name: X-Key, value: '{line}'}]", "[{name: X-Key, value: '{nobody}'}]",
			"[{name: X-Key, value: '{seq}'}]")}, peer...),
		[]choices{block("http", one("contact", "relay-1", "a b", "'a/b'"),
			block("timed", append(request, length...)...), block("open", request...), block("close", request...),
			block("read", append(request, two...)...), block("sense", append(request, two...)...))}},
	{"command", "command", []choices{one("program", "/bin/true", "true"), one("timeout", "20ms", "10s", "11s")},
		[]choices{block("command",
			one("arguments", "['{action}', '{ms}']", "['{action}']", "[]", "['{action}{line}', '{nobody}']", "[a]",
				`["{action}", "a\0b"]`), block("timed", length...), one("read", "true"), one("sense", "true"))}},
}

var modbusKeys = []choices{one("open_level", "on", "off"), one("unit", "1", "247", "248", "255", "0"),
	{key: "coil", values: []string{"0", "65535", "65536"}},
	block("timed", one("register", "1", "65535"), one("sequence", "true"), one("unit", "1ms", "100ms", "3s", "4s"),
		one("limit", "3s", "1h", "1ms", "66s")),
	block("watchdog", one("register", "2", "65535"), one("unit", "1ms", "100ms"),
		one("timeout", "1s", "30ms", "29ms", "70s")),
	block("sense", one("input", "0", "65535"), one("current_when", "on", "off"))}

// passwords has a simple password and an unusual one.
var passwords = config.Env{
	Getenv: func(name string) (string, bool) {
		return map[string]string{"A": "curtain-1", "B": "curtain 2"}[name], true
	},
	ReadFile: func(string) ([]byte, error) { return nil, os.ErrNotExist },
}

// The drivers accept every configuration that package config accepts, and see the same kinds in it. Otherwise a bad
// value would show only when the daemon does not start. One file in four is valid on average, so both cases are
// covered.
func TestLoaderAndDriversAgree(t *testing.T) {
	good := map[string]int{}
	for _, w := range ways {
		t.Run(w.driver, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				contact := draw(t, w.contact)
				text := fmt.Sprintf("country: GB\nsip: {adapter_side: {listen: 192.0.2.10:5060}, service_side: {listen: 192.0.2.10:5070}}\ncontrollers: [{name: c, driver: %s, %s: %s}]\n"+
					"lines: [{name: box-office, adapter: {user: a, contact: sip:192.0.2.21}, service: {registrar: sip:192.0.2.5, user: '5550101', register: false}, contact: {driver: %[1]s, controller: c, %[4]s%[5]s}}]\n",
					w.driver, w.at, draw(t, w.controller), consents, strings.TrimSuffix(strings.Replace(contact, "{",
						", ", 1), "}"))
				text = strings.Replace(text, "true, }", "true}", 1)
				cfg, faults := config.Parse("f", []byte(text), passwords)
				if len(faults) > 0 {
					return
				}
				good[w.driver]++
				if err := Check(cfg); err != nil {
					t.Fatalf("%v\n%s", err, text)
				}
				s := &Set{contacts: map[string]relay.Contact{}}
				if errs := s.build(cfg, Options{NoLock: true}); len(errs) > 0 {
					t.Fatal(errs)
				}
				if got, want := s.Contact("box-office").Kind().String(), cfg.Lines[0].Contact.Kind(); got != want {
					t.Fatalf("kind %s, and the loader says %s\n%s", got, want, text)
				}
			})
		})
	}
	t.Log(good)
}
