package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// contactForm is a driver, a controller with that driver, and a contact of that controller.
type contactForm struct{ driver, controller, contact string }

// file returns the small file with one line whose contact is driven that way.
func (w contactForm) file() string {
	return `country: GB
sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}
controllers: [{name: wings, driver: ` + w.driver + `, ` + w.controller + `}]
lines:
  - name: box-office
    adapter: {user: box-office, password: {env: PASSWORD}}
    service: {registrar: "sip:pbx.millrace.example", user: "5550101", password: {env: PASSWORD}}
    contact: {driver: ` + w.driver + `, controller: wings, ` + w.contact + `}
`
}

const (
	onTCP     = `modbus: {address: "192.0.2.30:502"}`
	onSerial  = "rtu: {device: /dev/ttyS1}"
	onChip    = "gpio: {chip: gpiochip0}"
	onPort    = "serial: {device: /dev/ttyS1}"
	onBroker  = "mqtt: {address: mqtt://broker.millrace.example:1883}"
	onDevice  = `http: {url: "http://192.0.2.60"}`
	onProgram = "command: {program: /usr/local/bin/lever}"
	accepted  = ", accept_open_if_daemon_dies: true"
)

// ways lists all combinations that differ in what ends an opening, with what follows for the line.
var ways = []struct {
	contactForm
	kind  string
	sense bool
	steps []time.Duration // above an interval of 800 ms
	// says is part of the line's description. alarm is the only warning at the start of the daemon.
	says, alarm string
}{
	{contactForm{"modbus", onTCP, "coil: 0, timed: {register: 1, unit: 100ms, limit: 3s}, sense: {input: 1}"},
		"oneshot", true,
		coarse, "the board itself closes the loop when the interval ends (at most 3s)", ""},
	{contactForm{"modbus", onTCP, "coil: 0, watchdog: {register: 1, unit: 100ms, timeout: 1s}"}, "watchdog", false,
		fine,
		"drops its outputs and closes the loop within 1s", ""},
	{contactForm{"modbus-rtu", onSerial, "coil: 0, timed: {register: 1, sequence: true, unit: 1ms, limit: 3s}"},
		"oneshot",
		false, fine, "coil 0 of unit 1 at wings, open when the coil is on. If the daemon or the link fails", ""},
	{contactForm{"modbus-rtu", onSerial, "coil: 0, sense: {input: 2}" + accepted}, "none", true, fine,
		"the loop stays open until somebody closes it",
		"may stay open indefinitely if the daemon, this machine or the link to the board fails"},
	{contactForm{"gpio", onChip, "gpio: {line: 17, sense: {line: 4}}" + accepted}, "none", true, fine,
		"line 17 of chip wings, open when the output is on. If the daemon dies during an interruption, the kernel frees the line, and it depends on the chip",
		"the daemon or this machine hangs, or dies and the chip leaves the line as it is"},
	{contactForm{"gpio", onChip, "gpio: {line: RELAY1}, open_level: off, accept_open_if_power_fails: true" + accepted},
		"none",
		false, fine, "If the relay loses power, the loop opens and stays open (accepted",
		"may stay open indefinitely if"},
	{contactForm{"serial", onPort, "serial: {line: rts, sense: {line: cts}}" + accepted}, "none", true, fine,
		"RTS of port wings, open when the output is on. If the daemon dies during an interruption, the kernel turns the line off and the loop closes; if the daemon or this machine hangs",
		"if the daemon or this machine hangs during an interruption"},
	{contactForm{"serial", onPort, "serial: {line: dtr}, open_level: off, accept_open_if_power_fails: true" + accepted},
		"none",
		false, fine, "the loop stays open until somebody closes it", "the daemon or this machine hangs or dies"},
	{contactForm{"mqtt", onBroker, "mqtt: {prefix: playhouse/box-office, sense: true}"}, "oneshot", true, fine,
		"device playhouse/box-office at broker wings. If the daemon or the link to the contact fails during an interruption, the device itself closes the loop when the interval ends (at most 10s)",
		""},
	{contactForm{"mqtt", onBroker,
		`mqtt: {plain: {accept_late_opening: true, timed: {topic: a, payload: "{ms}", unit: 100ms, limit: 2s}, close: {topic: a, payload: 0}, sense: {topic: b, open: [0], closed: [1]}}}`},
		"none", true, coarse,
		"closes the loop when the interval ends (at most 2s). An opening that a broker, the network or the device delays may happen late",
		"may open late"},
	{contactForm{"mqtt", onBroker,
		"mqtt: {plain: {accept_late_opening: true, open: {topic: a, payload: 1}, close: {topic: a, payload: 0}}}" +
			accepted}, "none", false, fine,
		"the broker tells the device to close; if the broker, its network or the device fails, the loop stays open",
		"may stay open indefinitely if the broker, its network or the device fails"},
	{contactForm{"http", onDevice, ""}, "oneshot", false, fine,
		"web device wings. If the daemon or the link to the contact fails during an interruption, the device itself closes the loop when the interval ends (at most 10s). If the network or the device delays an opening, a device that reports a token in its state refuses it",
		""},
	{contactForm{"http", onDevice,
		`http: {timed: {limit: 2s, unit: 100ms}, sense: {path: /current, open: ["no"], closed: ["yes"]}}`}, "oneshot",
		true, coarse, "(at most 2s). If the network or the device delays an opening, a device that reports a token in its state refuses it",
		""},
	{contactForm{"http", onDevice, `http: {timed: {path: "/on?s={s}", limit: 2s}, close: {path: /off}}`}, "oneshot",
		false, nil,
		"(at most 2s). An opening that the network or the device delays may happen late, during whatever call is then in progress",
		""}, // whole seconds: 800 ms become 1 s
	{contactForm{"http", onDevice,
		`http: {timed: {path: /on, headers: [{name: X-Length, value: "{ms}"}], limit: 2s}, close: {path: /off}}`},
		"oneshot", false, fine, "(at most 2s)", ""},
	{contactForm{"http", onDevice, "http: {open: {path: /on}, close: {path: /off}}" + accepted}, "none", false, fine,
		"If the daemon or the link to the contact fails during an interruption, the loop stays open",
		"the daemon, this machine or the network to the device fails"},
	{contactForm{"command", onProgram, "command: {timed: {limit: 3s}, sense: true}"}, "oneshot", true, fine,
		"if the program does what timed promises", ""},
	{contactForm{"command", onProgram, "accept_open_if_daemon_dies: true"}, "none", false, fine,
		"program wings. If the daemon or the link to the contact fails",
		"the daemon, this machine or the program fails"},
}

var (
	fine   = []time.Duration{940 * ms, 1100 * ms, 1300 * ms}
	coarse = []time.Duration{900 * ms, 1100 * ms, 1300 * ms} // whole units of 100 ms
)

func TestContactForms(t *testing.T) {
	for _, w := range ways {
		c, faults := Parse("f", []byte(w.file()), millraceEnv())
		require.Empty(t, faults.String(), w.contact)
		l := &c.Lines[0]
		require.Equal(t, w.kind, l.Contact.Kind(), w.contact)
		require.Equal(t, w.sense, l.Contact.hasSense(), w.contact)
		require.Equal(t, w.steps, l.Policy.Steps, w.contact)
		require.Contains(t, Describe(c)[0], "contact of kind "+w.kind+", ", w.contact)
		require.Contains(t, Describe(c)[0], w.says, w.contact)
		alarms := strings.Join(Unbounded(c), "\n")
		require.Contains(t, alarms, w.alarm, w.contact)
		require.Equal(t, w.alarm == "", alarms == "", "%s: %s", w.contact, alarms)
		require.Equal(t, strings.Contains(w.contact, "open_level: off"),
			strings.Contains(strings.Join(Warnings(c), "\n"), "its telephones are dead"), w.contact)
		// Verify by the input, if there is one, and require the kind.
		_, faults = Parse("f", []byte(w.file()+"    verify: {by: sense}\n"), millraceEnv())
		require.Equal(t, w.sense, len(faults) == 0, "%s: %v", w.contact, faults)
		for _, least := range []string{"none", "watchdog", "oneshot"} {
			_, faults = Parse("f", []byte("require: "+least+"\n"+w.file()), millraceEnv())
			require.Equal(t, Less(w.kind, least), len(faults) == 1 &&
				strings.Contains(faults.String(), "1:10: require: "+least+" is required"), "%s: %v", w.contact, faults)
		}
	}
}

// A contact that can leave the loop open, or open it late, is never accepted without the user's consent.
func TestConsents(t *testing.T) {
	for _, w := range ways {
		for _, words := range []string{"accept_open_if_daemon_dies: true", "accept_late_opening: true",
			"accept_open_if_power_fails: true"} {
			if !strings.Contains(w.contact, words) {
				continue
			}
			without := w.contactForm
			without.contact = strings.ReplaceAll(w.contact, words, strings.Replace(words, "true", "false", 1))
			_, faults := Parse("f", []byte(without.file()), millraceEnv())
			require.Len(t, faults, 1, w.contact)
			require.Contains(t, faults[0].Problem, "accept it with "+words, w.contact)
		}
	}
}

// Secrets that are needed to reach contacts are fetched for closing; others are not. One that cannot be fetched is
// reported.
func TestLoadForClosingFetchesContactSecrets(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "clearback.yaml")
	text := contactForm{"http",
		`http: {url: "https://192.0.2.60", user: clearback, password: {file: word}, ca: ca.pem}`,
		`http: {open: {path: /on, headers: [{name: X-Key, secret: {file: key}}]}, close: {path: /off}}` +
			accepted}.file()
	text = strings.ReplaceAll(text, "env: PASSWORD", "file: nobody")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "word"), []byte("curtain-45\n"), 0o600))
	c, faults, err := LoadForClosing(path)
	require.NoError(t, err)
	require.Len(t, faults, 1)
	require.Contains(t, faults[0].Problem, "headers[0].secret: the secret cannot be read")
	require.Equal(t, "curtain-45", c.Controllers[0].HTTP.Password.Reveal())
	require.Equal(t, filepath.Join(dir, "ca.pem"), c.Controllers[0].HTTP.CA, "relative to the file")
	require.Empty(t, c.Lines[0].Adapter.Password.Reveal())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "key"), []byte("curtain-46\n"), 0o600))
	c, faults, err = LoadForClosing(path)
	require.NoError(t, err)
	require.Empty(t, faults.String())
	require.Equal(t, "curtain-46", c.Lines[0].Contact.HTTP.Open.Headers[0].Secret.Reveal())
}
