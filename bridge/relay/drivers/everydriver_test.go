package drivers

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/config"

	"github.com/stretchr/testify/require"
)

// parsed returns the configuration with the given controllers and contacts. The lines are called line-0, line-1, ...
func parsed(t *testing.T, controllers string, contacts ...string) *config.Config {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "country: GB\nsip: {adapter_side: {listen: 192.0.2.10:5060}, service_side: {listen: 192.0.2.10:5070}}\ncontrollers: [%s]\nlines:\n",
		controllers)
	for i, c := range contacts {
		fmt.Fprintf(&b, "- {name: line-%d, adapter: {user: a%[1]d, contact: sip:192.0.2.2%[1]d}, service: {registrar: sip:192.0.2.5, user: 555010%[1]d, register: false}, contact: {%s}}\n",
			i, c)
	}
	cfg, faults := config.Parse("f", []byte(b.String()), config.Env{})
	require.Empty(t, faults.String(), b.String())
	return cfg
}

// The drivers accept the sample of all contacts as package config reads it, and each contact has the kind that package
// config states.
func TestSampleContacts(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/contacts.yaml")
	require.NoError(t, err)
	plain := strings.NewReplacer("mqtts://broker.millrace.example:8883", "mqtt://broker.millrace.example:1883",
		"https://", "http://",
		"ca: tls/ca.pem", "", "certificate: tls/clearback.pem", "", "key: tls/clearback.key", "",
		"server_name: broker.millrace.example", "",
		"server_name: relays.millrace.example", "").Replace(string(text))
	cfg, faults := config.Parse("contacts", []byte(plain), config.Env{})
	require.Empty(t, faults.String())
	require.NoError(t, Check(cfg))
	s := &Set{contacts: map[string]relay.Contact{}}
	require.Empty(t, s.build(cfg, Options{NoLock: true}))
	senses := 0
	for i := range cfg.Lines {
		l := &cfg.Lines[i]
		c := s.Contact(l.Name)
		require.Equal(t, l.Contact.Kind(), c.Kind().String(), l.Name)
		if sensor, ok := c.(relay.Sensor); ok {
			if _, err := sensor.Sense(t.Context()); !errors.Is(err, relay.ErrNoSense) {
				senses++
			}
		}
	}
	require.Equal(t, 4, senses, "stage-door, workshop, foyer, prompt-desk; and none that has not")
	require.Empty(t, s.Shutdown(t.Context()))

	// A missing certificate is the only error, and Check reports it.
	cfg, faults = config.Parse("contacts", text, config.Env{})
	require.Empty(t, faults.String())
	err = Check(cfg)
	require.ErrorContains(t, err, "controller broker")
	require.ErrorContains(t, err, "controller attic")
	require.ErrorContains(t, err, "tls/ca.pem")
	require.NotContains(t, err.Error(), "line box-office")
}

// The configured levels reach the device: a program and an HTTP device, each opened and closed.
func TestOpenByProgramAndHTTP(t *testing.T) {
	said := &lines{}
	device := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		said.add(r.Method + " " + r.URL.RequestURI() + " " + string(body) + " " + r.Header.Get("X-Key"))
		fmt.Fprint(w, "ok")
	}))
	t.Cleanup(device.Close)
	log := filepath.Join(t.TempDir(), "said")
	cfg := parsed(t, "{name: attic, driver: http, http: {url: '"+device.URL+"/api', headers: [{name: X-Key, value: k}]}}, {name: lever, driver: command, command: {program: /bin/sh, timeout: 5s}}",
		"driver: http, controller: attic, http: {timed: {path: '/on?s={s}', unit: 100ms, limit: 3s}, close: {path: '/off/{line}', body: '0'}}",
		"driver: command, controller: lever, accept_open_if_daemon_dies: true, command: {arguments: [-c, 'echo $0 $1 $2 >> "+log+"', '{action}', '{line}', '{ms}']}")
	s, err := Open(cfg, Options{})
	require.NoError(t, err)
	require.NoError(t, s.Ready(within(t, 5*time.Second)))
	for i := range cfg.Lines {
		r := s.Contact(cfg.Lines[i].Name).Interrupt(t.Context(),
			relay.Interruption{Seq: 1, Duration: 110 * time.Millisecond, NotAfter: time.Now().Add(5 * time.Second)})
		require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	}
	left, err := CloseAll(within(t, 5*time.Second), cfg, nil)
	require.NoError(t, err, "beside a daemon that holds the contacts")
	require.Empty(t, left)
	require.Empty(t, s.Shutdown(within(t, 5*time.Second)))
	all := said.all()
	require.Contains(t, all, "POST /api/on?s=0.2  k", "whole units of 100 ms")
	require.Equal(t, "POST /api/off/line-0 0 k", all[0], "closed first")
	require.Equal(t, all[0], all[len(all)-1], "closed last")
	text, err := os.ReadFile(log)
	require.NoError(t, err)
	require.Regexp(t, `^close line-1 0\n(?s:.*)open line-1 110\n(?s:.*)close line-1 0\n$`, string(text))
}

// lines collects lines from several goroutines.
type lines struct {
	mu   sync.Mutex
	said []string
}

func (l *lines) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.said = append(l.said, s)
}

func (l *lines) all() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string(nil), l.said...)
}

// CloseAll tries to close by every driver, and names the contacts that could not be reached or made.
func TestCloseAllByEveryDriver(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	dead := l.Addr().String() // no server accepts there, and no other process gets the port
	defer l.Close()
	cfg := parsed(t, "{name: rack, driver: modbus, modbus: {address: '"+dead+"'}}, {name: cellar, driver: modbus-rtu, rtu: {device: /dev/nowhere-1}}, {name: header, driver: gpio, gpio: {chip: nowhere}}, "+
		"{name: port, driver: serial, serial: {device: /dev/nowhere-2}}, {name: broker, driver: mqtt, mqtt: {address: 'mqtt://"+dead+"'}}, {name: attic, driver: http, http: {url: 'http://"+dead+"'}}, {name: lever, driver: command, command: {program: /nowhere}}",
		"driver: modbus, controller: rack, coil: 0, accept_open_if_daemon_dies: true",
		"driver: modbus-rtu, controller: cellar, coil: 0, accept_open_if_daemon_dies: true",
		"driver: gpio, controller: header, gpio: {line: 1}, accept_open_if_daemon_dies: true",
		"driver: serial, controller: port, serial: {line: rts}, accept_open_if_daemon_dies: true",
		"driver: mqtt, controller: broker, mqtt: {prefix: playhouse/line-4}",
		"driver: http, controller: attic",
		"driver: command, controller: lever, accept_open_if_daemon_dies: true")
	left, err := CloseAll(within(t, 300*time.Millisecond), cfg, nil)
	require.NoError(t, err)
	var who []string
	for _, n := range left {
		require.Error(t, n.Err, n.Line)
		who = append(who, n.Line+" "+n.Controller)
	}
	require.Equal(t, []string{"line-0 rack", "line-1 cellar", "line-2 header", "line-3 port", "line-4 broker",
		"line-5 attic", "line-6 lever"}, who)

	// A contact that cannot be made does not prevent the others from being closed.
	board := newCoils(t)
	cfg.Controllers[0].Modbus.Address = board.Address()
	cfg.Controllers[5].HTTP.URL = "attic"
	cfg.Controllers, cfg.Lines = append(cfg.Controllers[:1:1], cfg.Controllers[5]),
		append(cfg.Lines[:1:1], cfg.Lines[5])
	left, err = CloseAll(within(t, 5*time.Second), cfg, nil)
	require.ErrorContains(t, err, "controller attic")
	require.Empty(t, left)
	require.False(t, board.Level(0))
}

// A contact of a lower kind than the line requires is refused, even if package config accepted it.
func TestRequire(t *testing.T) {
	for least, taken := range map[string]bool{"none": true, "watchdog": true, "oneshot": false} {
		cfg := millrace("127.0.0.1:1")
		cfg.Lines[1].Contact.Require = least // stage-door has a watchdog
		s, err := Open(cfg, Options{NoLock: true})
		if taken {
			require.NoError(t, err)
			s.Shutdown(within(t, time.Millisecond))
			continue
		}
		require.ErrorContains(t, err,
			"line stage-door: a contact of kind oneshot is required, but this one is of kind watchdog")
	}
}

// Settings that only an opening needs do not keep a contact from being closed, even if the file with them is faulty.
func TestCloseAllInSpiteOfFaults(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	dead := l.Addr().String() // no server accepts there, and no other process gets the port
	defer l.Close()
	cfg := parsed(t, "{name: broker, driver: mqtt, mqtt: {address: 'mqtt://"+dead+"'}}, {name: attic, driver: http, http: {url: 'http://"+dead+"'}}",
		"driver: mqtt, controller: broker, accept_open_if_daemon_dies: true, mqtt: {plain: {accept_late_opening: true, open: {topic: a, payload: 1}, close: {topic: a, payload: 0}}}",
		"driver: http, controller: attic")
	cfg.Lines[0].Contact.MQTT.Limit = time.Second // a key for other devices
	// a password without a user
	cfg.Controllers[1].HTTP.Password = config.NewSecret("a word")
	left, err := CloseAll(within(t, 300*time.Millisecond), cfg, nil)
	require.NoError(t, err)
	require.Len(t, left, 2, "both were tried")
}
