package debian

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// playhouseRelay is the program of contacts.yaml, with a file for a relay with a timer.
const playhouseRelay = `#!/bin/sh
now=$(date +%s%3N)
case $2 in
open) echo $((now + $4)) >/tmp/until ;;
close) rm -f /tmp/until ;;
read) [ "$(cat /tmp/until 2>/dev/null || echo 0)" -gt "$now" ] && echo open || echo closed ;;
esac
`

const (
	// greenRoom is the file of an agent that serves the MQTT contact of contacts.yaml.
	greenRoom = "contacts: [{name: green-room, simulated: {}}]\n" +
		"mqtt: {address: \"mqtt://127.0.0.1:1883\", prefix: playhouse}\n"
	// forSamples is what the samples need in the unit, besides the unit's own drop-in for devices: another group for
	// the control socket, and the secrets {env: NAME}.
	forSamples = "SupplementaryGroups=operators\nEnvironment=GREEN_ROOM_ADAPTER=curtain GREEN_ROOM_SERVICE=curtain\n"
)

// brokerFile is mosquitto's. %[1]s is the folder with the certificate.
const brokerFile = `user root
per_listener_settings true
listener 1883 127.0.0.1
allow_anonymous true
listener 8883 192.0.2.30
allow_anonymous true
require_certificate true
cafile %[1]s/ca.pem
certfile %[1]s/ca.pem
keyfile %[1]s/clearback.key
`

// documentedKeys runs the daemon under its unit with each of the two samples, which together show every key and every
// driver. Their devices are fakes at the addresses that the samples name. The container has neither GPIO nor a serial
// port with control lines, so the drivers that need these have to say that, and not that something is forbidden.
func documentedKeys(t *testing.T, b *box) {
	for program, debianPackage := range map[string]string{"mosquitto": "mosquitto", "openssl": "openssl",
		"python3": "python3", "pkg-config": "gcc libc6-dev pkg-config libmodbus-dev"} {
		need(t, program, debianPackage)
	}
	host(t, "bash", "testdata/box.sh", "limits", b.root) // DevicePolicy= bites
	unit, err := os.ReadFile("../../clearback.service")
	if err != nil {
		t.Fatal(err)
	}
	_, dropIn, _ := strings.Cut(string(unit), "#   [Service]\n")
	dropIn, _, _ = strings.Cut(dropIn, "\n# ")
	b.write(t, "/etc/systemd/system/clearback.service.d/samples.conf",
		"[Service]\n"+strings.ReplaceAll(dropIn, "#   ", "")+"\n"+forSamples, 0o644)
	b.must(t, "systemctl stop clearback && cp -a /etc/clearback /root/kept && "+
		"for n in 10 30; do ip address add 192.0.2.$n/32 dev lo; done && "+
		"echo 192.0.2.30 relays.millrace.example broker.millrace.example >/etc/hosts && "+
		"groupadd -r gpio && groupadd -r operators && systemctl daemon-reload")
	for _, secret := range []string{"adapter", "service", "broker", "attic", "attic-key", "box-office-second", "alarms-mail",
		"alarms-hook-key", "alarms-broker", "stage-door-adapter", "stage-door-service"} {
		b.write(t, "/etc/clearback/secrets/"+secret, "curtain\n", 0o640)
	}
	// The daemon's user reads {file: PATH} itself.
	b.must(t, "chgrp -R clearback /etc/clearback/secrets && chmod 750 /etc/clearback/secrets")

	program := buildBoard(t)
	board := b.device(t, program, "--stdin", "--loop-inverse", "--timed", "16,0,100", "--watchdog", "4,100", "192.0.2.30",
		"502")
	board.await(t, "listen")
	b.sample(t, "clearback.yaml", func(s string) string {
		return strings.Replace(s, "group: clearback\n", "group: operators\n", 1)
	})
	for _, line := range []string{"box-office", "stage-door", "workshop", "green-room"} {
		b.await(t, "clearback lines | grep -q '^"+line+" .* closed '")
	}
	equal(t, b.must(t, "stat -c '%a %G' /run/clearback/control"), "660 operators", "the control socket")
	b.must(t, "clearback pulse box-office")
	board.opened(t, 1)

	b.fakes(t, program)
	b.sample(t, "contacts.yaml", func(s string) string { return s })
	others := []string{"green-room", "foyer", "wardrobe", "prompt-desk", "scene-dock", "fly-floor"}
	for _, line := range others {
		b.await(t, "clearback lines | grep -q '^"+line+" .* closed '")
	}
	for _, line := range []string{"green-room", "fly-floor"} {
		contains(t, b.must(t, "clearback pulse "+line), "(asked 800 ms)")
	}
	said := b.journal(t)
	contains(t, said, "not found: chip gpiochip0", "it has no control lines",
		"the driver of this port cannot switch an RS-485 direction by RTS")
	b.sample(t, "contacts.yaml", func(s string) string {
		before, after, _ := strings.Cut(s, "      rs485:\n")
		_, after, _ = strings.Cut(after, "delay_after: 0s\n")
		return before + after
	})
	for _, line := range append(others, "box-office") {
		b.await(t, "clearback lines | grep -q '^"+line+" .* closed '")
	}
	contains(t, b.must(t, "clearback pulse box-office"), "(asked 800 ms)")
	said += b.journal(t)
	if strings.Contains(said, "operation not permitted") || strings.Contains(said, "permission denied") {
		t.Errorf("the unit forbids something:\n%s", said)
	}
	b.must(t, "systemctl stop clearback cellar port green-room; rm -r /etc/clearback /etc/systemd/system/clearback.service.d && "+
		"mv /root/kept /etc/clearback && rm /etc/hosts && systemctl daemon-reload && "+
		"for n in 10 30; do ip address del 192.0.2.$n/32 dev lo; done && systemctl start clearback")
	b.serves(t)
}

// sample starts the daemon with an edited sample.
func (b *box) sample(t *testing.T, name string, edit func(string) string) {
	t.Helper()
	text, err := os.ReadFile("../../" + name)
	if err != nil {
		t.Fatal(err)
	}
	// The command close, which runs after the daemon, would take the serial ports for itself for as long as they exist.
	b.must(t, "systemctl stop clearback")
	b.write(t, "/etc/clearback/clearback.yaml", edit(string(text)), 0o644)
	b.must(t, "systemctl start clearback || { journalctl -o cat --no-pager -n 20 -u clearback; exit 1; }")
}

// journal returns what the daemon has logged since its start.
func (b *box) journal(t *testing.T) string {
	t.Helper()
	return b.must(t, "journalctl -o cat --no-pager _SYSTEMD_INVOCATION_ID="+b.show(t, "clearback", "InvocationID"))
}

// fakes starts the devices of contacts.yaml. The two serial ports are pseudo terminals.
func (b *box) fakes(t *testing.T, board string) {
	t.Helper()
	tls := filepath.Join(b.root, "etc/clearback/tls")
	host(t, "sh", "-c", `mkdir "$1" && cd "$1" && openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes \
		-subj /CN=millrace -addext subjectAltName=DNS:broker.millrace.example,DNS:relays.millrace.example \
		-keyout clearback.key -out ca.pem && cp ca.pem clearback.pem && chmod 640 clearback.key`, "sh", tls)
	b.must(t, "chgrp clearback /etc/clearback/tls/clearback.key")
	b.device(t, "python3", "testdata/web.py", "192.0.2.30", "443", filepath.Join(tls, "ca.pem"),
		filepath.Join(tls, "clearback.key"))
	broker := filepath.Join(t.TempDir(), "broker.conf")
	if err := os.WriteFile(broker, fmt.Appendf(nil, brokerFile, tls), 0o600); err != nil {
		t.Fatal(err)
	}
	b.device(t, "mosquitto", "-c", broker).await(t, "running")
	b.plainDevices(t)

	b.write(t, "/usr/local/bin/playhouse-relay", playhouseRelay, 0o755)
	b.write(t, "/root/green-room.yaml", greenRoom, 0o644)
	// The board is a program of this machine, with this machine's libraries.
	host(t, "sh", "-c", `mkdir "$2" && cp -L "$1" $(ldd "$1" | grep -o '/[^ ]*') "$2"`, "sh", board,
		filepath.Join(b.root, "usr/local/lib/board"))
	const run = "/usr/local/lib/board/ld-linux-*.so.* --library-path /usr/local/lib/board /usr/local/lib/board/board"
	b.must(t, "mkdir -p /dev/serial/by-id && mount -o remount,mode=666 /dev/pts && "+
		"systemd-run -q --unit=green-room clearback relay --config /root/green-room.yaml && "+
		"systemd-run -q --unit=cellar sh -c 'exec "+run+" --unit 3 --timed 16,0,100 --pty /dev/serial/by-id/usb-cellar 19200' && "+
		"systemd-run -q --unit=port sh -c 'exec "+run+" --pty /dev/ttyS1 19200'")
	b.await(t, "test -e /dev/serial/by-id/usb-cellar -a -e /dev/ttyS1")
}

// mqtt is a packet of MQTT 3.1.1 with a body of less than 128 bytes (section 2.2).
func mqtt(header byte, body string) string { return string([]byte{header, byte(len(body))}) + body }

// mqttText is a text in such a packet (section 1.5.3).
func mqttText(s string) string { return string([]byte{0, byte(len(s))}) + s }

// plainDevices connects the devices with topics of their own to the broker: it subscribes to their topics and publishes
// what one of them retains (sections 3.1, 3.3 and 3.8).
func (b *box) plainDevices(t *testing.T) {
	t.Helper()
	d := b.device(t, "bash", "-c", "exec 3<>/dev/tcp/127.0.0.1/1883; cat <&3 & exec cat >&3")
	packets := mqtt(0x10, mqttText("MQTT")+"\x04\x02\x00\x00"+mqttText("")) +
		mqtt(0x82, "\x00\x01"+mqttText("playhouse/foyer/#")+"\x00"+mqttText("playhouse/wardrobe/#")+"\x00") +
		mqtt(0x31, mqttText("playhouse/foyer/state")+`{"loop": 0, "current": "yes"}`) +
		mqtt(0x31, mqttText("playhouse/foyer/presence")+`{"present": true}`)
	if _, err := io.WriteString(d.in, packets); err != nil {
		t.Fatal(err)
	}
	d.await(t, "present") // it has its own message back
}
