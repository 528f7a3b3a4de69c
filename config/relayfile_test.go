package config

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const smallRelay = `listen: 127.0.0.1:1502
allow_from: [192.0.2.10, 192.0.2.64/26]
contacts:
  - name: box-office
    gpio: {chip: gpiochip0, line: 17}
  - name: stage-door
    open_level: off
    serial: {device: /dev/ttyUSB0, line: rts}
  - name: workshop
    simulated: {}
`

func TestRelayDefaults(t *testing.T) {
	r, faults := ParseRelay("relay", []byte(smallRelay), millraceEnv())
	require.Empty(t, faults.String())
	require.Equal(t, 3*time.Second, r.MaxInterval)
	require.Equal(t, 3*time.Second, r.Watchdog)
	require.Len(t, r.AllowFrom, 2)
	require.Equal(t, RelayGPIO{Chip: "gpiochip0", GPIOLine: GPIOLine{Line: "17", Drive: "push-pull", Bias: "as-is"}},
		*r.Contacts[0].GPIO)
	require.Equal(t, []string{"on", "off", "on"}, []string{r.Contacts[0].OpenLevel, r.Contacts[1].OpenLevel,
		r.Contacts[2].OpenLevel})
	require.NotNil(t, r.Contacts[2].Simulated)
	require.Nil(t, r.MQTT)
	require.Nil(t, r.HardwareWatchdog)
}

// manyRelays returns 62 contacts.
func manyRelays() string {
	var b strings.Builder
	for i := range 62 {
		fmt.Fprintf(&b, "  - name: lamp-%d\n    simulated: {}\n", i)
	}
	return b.String()
}

// There is one bad file for each rule, with its exact faults.
func TestRelayFaults(t *testing.T) {
	with := func(old, new string) string { return strings.Replace(smallRelay, old, new, 1) }
	for _, x := range []struct{ text, want string }{
		{"", "1:1: the file is empty; deploy/relay.yaml shows every key"},
		{with("allow_from", "allow_form"),
			"1:9: listen needs allow_from, because the protocol has no password; list the daemon's address\n" +
				"2:1: allow_form is not a known key; did you mean allow_from?"},
		{with("[192.0.2.10, 192.0.2.64/26]", "[]"),
			"1:9: listen needs allow_from, because the protocol has no password; list the daemon's address"},
		{with("192.0.2.10", "0.0.0.0/0"),
			"2:14: allow_from: 0.0.0.0/0 allows everybody; list the daemon's address or network"},
		{with("192.0.2.10", "pbx"),
			`2:14: allow_from[0]: "pbx" is neither an IP address nor a network; write 192.0.2.21 or 192.0.2.0/24`},
		{with("listen: 127.0.0.1:1502\n", ""),
			"1:1: there is neither listen nor mqtt, so the contacts could not be reached; add listen: with allow_from:, or mqtt:"},
		{with("contacts", "max_interval: 66s\ncontacts"),
			`3:15: max_interval: "66s" is out of range; allowed: 1ms to 1m5.535s`},
		{with("contacts", "watchdog: 50ms\ncontacts"),
			`3:11: watchdog: "50ms" is out of range; allowed: 100ms to 1m5.535s`},
		{with("contacts", "hardware_watchdog: {timeout: 1s}\ncontacts"),
			"3:20: hardware_watchdog.device is missing; it is required: add it here\n" +
				`3:30: hardware_watchdog.timeout: "1s" is out of range; allowed: 2s to 10m0s`},
		{with("contacts", "mqtt: {address: broker.millrace.example, prefix: /a}\ncontacts"),
			`3:17: mqtt.address: "broker.millrace.example" is not a broker; write one such as mqtt://broker.millrace.example:1883, or mqtts:// and port 8883` +
				"\n" +
				`3:50: mqtt.prefix: "/a" is not a topic prefix; write one such as millrace/relay, of letters, digits, - _ . and (not at its ends) /`},
		{with("contacts", "mqtt: {address: mqtt://broker.millrace.example:1883, prefix: millrace, certificate: a.pem, password: hunter}\ncontacts"),
			"3:7: mqtt: certificate and key belong together; add the other one\n" +
				"3:17: mqtt.address: certificates need mqtts://; write that, or remove them\n" +
				"3:102: mqtt.password: a secret must not be in this file; write {file: PATH}, {env: NAME} or {credential: NAME}"},
		{smallRelay + manyRelays(), "133:5: contacts: 65 entries are too many; at most 64 are allowed"},
		{"listen: 127.0.0.1:1502\nallow_from: [192.0.2.10]\ncontacts: []\n", "3:11: contacts has no entry; add one"},
		{with("stage-door", "box-office"),
			`6:11: contacts[1].name: "box-office" is the name of contacts[0] too; each needs its own`},
		{with("simulated: {}", "simulated: {}\n    gpio: {chip: gpiochip0, line: 4}"),
			"9:5: contacts[2]: it has 2 outputs; write exactly one of gpio, serial and simulated"},
		{with("    simulated: {}\n", ""),
			"9:5: contacts[2]: it has 0 outputs; write exactly one of gpio, serial and simulated"},
		{with("simulated: {}", "gpio: {chip: gpiochip0, line: 17}"),
			"9:5: contacts[2]: box-office already drives line 17 of chip gpiochip0; each contact needs an output of its own"},
		{with("simulated: {}", "serial: {device: /dev/ttyUSB0, line: dtr}"),
			"9:5: contacts[2]: stage-door already drives /dev/ttyUSB0; each contact needs an output of its own"},
		{with("line: rts", "line: txd"), `8:42: contacts[1].serial.line: "txd" is not known; allowed: rts, dtr`},
		{with("line: 17}", "line: 17, drive: hard, sense: {bias: up}}"),
			`5:46: contacts[0].gpio.drive: "hard" is not known; allowed: push-pull, open-drain, open-source` + "\n" +
				"5:59: contacts[0].gpio.sense.line is missing; it is required: add it here\n" +
				`5:66: contacts[0].gpio.sense.bias: "up" is not known; allowed: as-is, disabled, pull-up, pull-down`},
	} {
		r, faults := ParseRelay("bad", []byte(x.text), millraceEnv())
		got := strings.TrimSuffix(strings.ReplaceAll(faults.String(), "bad:", ""), "\n")
		require.Nil(t, r, x.text)
		require.Equal(t, x.want, got, x.text)
	}
}

func FuzzRelay(f *testing.F) {
	f.Add(smallRelay)
	f.Fuzz(func(t *testing.T, text string) {
		r, faults := ParseRelay("x", []byte(text), Env{})
		if (r == nil) != (len(faults) > 0) {
			t.Fatalf("%v, %v", r, faults)
		}
		requireOneLineEach(t, faults)
	})
}
