//go:build linux

package interop

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/mqtt/brokertest"
	"clearback/bridge/relay/transport"
)

// fleetFile returns a file of deploy/fleet with some words replaced.
func fleetFile(t *testing.T, name string, replaced map[string]string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("../../../deploy/fleet", name))
	require.NoError(t, err)
	for was, is := range replaced {
		require.Contains(t, string(text), was, name)
		text = []byte(strings.ReplaceAll(string(text), was, is))
	}
	return string(text)
}

// fleetPassword is the password of every account at the broker.
const fleetPassword = "curtain-7"

// fleet is the example of deploy/fleet with its programs.
type fleet struct {
	t   *testing.T
	dir string

	broker *brokertest.Broker
	alerts string // where Alertmanager listens

	mu     sync.Mutex
	states map[string]string // the last publication of each topic
}

func newFleet(t *testing.T) *fleet {
	t.Helper()
	need(t, "mosquitto_passwd", "openssl")
	f := &fleet{t: t, dir: t.TempDir(), states: map[string]string{}}
	f.run("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "365",
		"-subj", "/CN=broker.millrace.example", "-addext", "subjectAltName=DNS:broker.millrace.example",
		"-keyout", f.path("broker.key"), "-out", f.path("broker.pem"))
	for i, account := range []string{"watcher", "millrace", "harbour", "orchard"} {
		arguments := []string{"-b", f.path("passwords"), account, fleetPassword}
		if i == 0 {
			arguments = slices.Insert(arguments, 0, "-c")
		}
		f.run("mosquitto_passwd", arguments...)
	}
	f.write("password", fleetPassword)
	f.write("sites.acl", fleetFile(t, "sites.acl", nil))
	f.broker = brokertest.Own(t, fleetFile(t, "mosquitto.conf", map[string]string{
		"listener 8883":                   "listener %d 127.0.0.1",
		"/etc/mosquitto/certs/broker.pem": f.path("broker.pem"), "/etc/mosquitto/certs/broker.key": f.path("broker.key"),
		"/etc/mosquitto/passwords": f.path("passwords"), "/etc/mosquitto/sites.acl": f.path("sites.acl"),
		"persistence true\n": "", "/var/lib/mosquitto/": f.dir + "/"}))
	return f
}

func (f *fleet) path(name string) string { return filepath.Join(f.dir, name) }

func (f *fleet) write(name, text string) {
	f.t.Helper()
	require.NoError(f.t, os.WriteFile(f.path(name), []byte(text), 0o600))
}

func (f *fleet) run(program string, arguments ...string) {
	f.t.Helper()
	out, err := exec.Command(program, arguments...).CombinedOutput()
	require.NoError(f.t, err, "%s", out)
}

// site starts the daemon of a site. Its file has what the example adds.
func (f *fleet) site(name string) (r *testBed, metrics string) {
	f.t.Helper()
	metrics = at(freePorts(f.t, 1))
	more := fleetFile(f.t, "site.yaml", map[string]string{"topic: clearback/millrace": "topic: clearback/" + name,
		"user: millrace": "user: " + name, "/var/lib/clearback/alarms": f.path(name),
		"mqtts://broker.millrace.example:8883": fmt.Sprintf("mqtts://127.0.0.1:%d\n        server_name: broker.millrace.example",
			f.broker.Port()),
		"/etc/clearback/secrets/alarms-broker": f.path("password"), "/etc/clearback/broker-ca.pem": f.path("broker.pem"),
		"192.0.2.10:9724": metrics})
	return newTestBed(f.t, setup{record: true, before: func(r *testBed) {
		own, err := os.ReadFile(r.config())
		require.NoError(r.t, err)
		require.NoError(r.t, os.WriteFile(r.config(), append(own, more...), 0o600))
	}}), metrics
}

// watch starts Prometheus and Alertmanager, whose times are seconds, and follows the broker.
func (f *fleet) watch(metrics map[string]string) {
	f.t.Helper()
	f.alerts = at(freePorts(f.t, 1))
	rules, err := os.ReadFile("../../../deploy/alerts.yaml")
	require.NoError(f.t, err)
	f.write("alerts.yaml", regexp.MustCompile(`for: \w+`).ReplaceAllString(string(rules), "for: 1s"))
	f.write("prometheus.yml", fleetFile(f.t, "prometheus.yml", map[string]string{": 15s": ": 2s",
		"127.0.0.1:9093": f.alerts}))
	f.write("sites.yml", fleetFile(f.t, "sites.yml", map[string]string{"192.0.2.10:9724": metrics["millrace"],
		"192.0.2.20:9724": metrics["harbour"], "192.0.2.30:9724": metrics["orchard"]}))
	f.write("alertmanager.yml", fleetFile(f.t, "alertmanager.yml", map[string]string{"group_wait: 30s": "group_wait: 1s",
		"mail.millrace.example:587": "127.0.0.1:1"})) // nobody gets mail
	programtest.Start(f.t, exec.Command(programtest.Need(f.t, "prometheus-alertmanager", "prometheus-alertmanager"),
		"--config.file="+f.path("alertmanager.yml"), "--storage.path="+f.path("alertmanager"), "--cluster.listen-address=",
		"--web.listen-address="+f.alerts))
	programtest.Start(f.t, exec.Command(programtest.Need(f.t, "prometheus", "prometheus"),
		"--config.file="+f.path("prometheus.yml"), "--storage.tsdb.path="+f.path("prometheus"), "--log.level=warn",
		"--web.listen-address="+at(freePorts(f.t, 1))))

	f.dial("watcher", "clearback/#")
}

// dial connects an account to the broker, and follows a topic.
func (f *fleet) dial(account, topic string) *broker.Conn {
	f.t.Helper()
	c, err := broker.New(broker.Options{Address: "mqtts://" + f.broker.Address(), User: account, Password: fleetPassword,
		TLS:     transport.TLS{CA: f.path("broker.pem"), ServerName: "broker.millrace.example"},
		Timeout: 10 * time.Second, KeepAlive: time.Minute})
	require.NoError(f.t, err)
	conn, err := c.Dial(f.t.Context(), broker.Session{ClientID: broker.Unique(),
		Will: broker.Message{Topic: "clearback/" + account}, Subscribe: []broker.Subscription{{Topic: topic}},
		Receive: func(_ *broker.Conn, p broker.Publication) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.states[p.Topic] = string(p.Payload)
		}})
	require.NoError(f.t, err)
	f.t.Cleanup(conn.Reset)
	return conn
}

func (f *fleet) state(topic string) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.states[topic]
}

// firing returns the alerts that Alertmanager has, each as SITE ALERT SEVERITY RECEIVER. The site is that of the
// alert's group, so it is empty if alerts are not grouped by site.
func (f *fleet) firing() []string {
	res, err := http.Get("http://" + f.alerts + "/api/v2/alerts/groups")
	if err != nil {
		return nil // it has not started yet
	}
	defer res.Body.Close()
	var groups []struct {
		Labels   map[string]string
		Receiver struct{ Name string }
		Alerts   []struct{ Labels map[string]string }
	}
	require.NoError(f.t, json.NewDecoder(res.Body).Decode(&groups))
	names := map[string]bool{}
	for _, g := range groups {
		for _, a := range g.Alerts {
			name := []string{g.Labels["site"], a.Labels["alertname"], a.Labels["severity"], g.Receiver.Name}
			names[strings.Join(name, " ")] = true
		}
	}
	return slices.Sorted(maps.Keys(names))
}

// published returns the last publication of each topic of a site.
func (f *fleet) published(site string) map[string]string {
	f.mu.Lock()
	defer f.mu.Unlock()
	all := map[string]string{}
	for topic, payload := range f.states {
		if of, ok := strings.CutPrefix(topic, "clearback/"+site+"/"); ok {
			all[of] = payload
		}
	}
	return all
}

// TestFleet starts the example of deploy/fleet with three sites. One daemon is killed and one loses its relay board.
// Alertmanager and the broker, which are not ours, have exactly these two sites, each alert goes to the right receiver,
// and no site writes for another.
func TestFleet(t *testing.T) {
	t.Parallel()
	f := newFleet(t)
	sites, metrics := map[string]*testBed{}, map[string]string{}
	for _, name := range []string{"millrace", "harbour", "orchard"} {
		sites[name], metrics[name] = f.site(name)
	}
	f.watch(metrics)
	for name := range sites {
		eventually(t, 10*time.Second, "the site is at the broker",
			func() bool { return f.state("clearback/"+name+"/availability") == "online" })
	}
	sites["harbour"].d.Signal(syscall.SIGKILL)
	sites["orchard"].net.set(true, false)
	sites["orchard"].net.cut()
	eventually(t, 30*time.Second, "the broker publishes the will of the killed daemon",
		func() bool { return f.state("clearback/harbour/availability") == "offline" })
	expected := []string{"harbour ClearbackDown critical on-duty",
		"orchard ClearbackContactTrouble warning caretaker"}
	eventually(t, time.Minute, "the alerts are at Alertmanager", func() bool { return len(f.firing()) >= len(expected) })
	require.Equal(t, expected, f.firing())
	require.Equal(t, "online", f.state("clearback/orchard/availability"))

	err := f.dial("harbour", "clearback/harbour/availability").Publish(t.Context(),
		broker.Message{Topic: "clearback/millrace/availability", Payload: []byte("offline")}, nil)
	require.ErrorContains(t, err, "not authorized") // MQTT 5.0 section 3.4.2.1: 0x87
	sites["orchard"].net.set(false, false)
	eventually(t, time.Minute, "the board is back", func() bool { return len(f.firing()) == 1 })
	require.Equal(t, expected[:1], f.firing())
	require.Equal(t, map[string]string{"availability": "online"}, f.published("millrace"), "nothing is wrong there")
}
