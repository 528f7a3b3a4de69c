package cli

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// webRelay is a device with one contact and a password. It follows the contract of bridge/relay/httprelay.
type webRelay struct {
	mu     sync.Mutex
	open   bool
	seq    *uint32
	pulses int
	denies string // if not empty: its answer to a pulse, which it then does not carry out
}

func (w *webRelay) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	if user, word, _ := r.BasicAuth(); user != "clearback" || word != "curtain-47" {
		rw.WriteHeader(http.StatusUnauthorized)
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	switch r.Method + " " + r.URL.Path {
	case "POST /box-office/pulse":
		if w.denies != "" {
			rw.WriteHeader(http.StatusForbidden)
			_, _ = rw.Write([]byte(w.denies))
			return
		}
		var pulse struct {
			Seq uint32 `json:"seq"`
			Ms  int    `json:"ms"`
		}
		if json.NewDecoder(r.Body).Decode(&pulse) != nil {
			rw.WriteHeader(http.StatusBadRequest)
			return
		}
		w.open, w.seq = pulse.Ms > 0, &pulse.Seq
		w.pulses++
	case "POST /box-office/close":
		w.open = false
	case "GET /box-office/state":
	default:
		rw.WriteHeader(http.StatusNotFound)
		return
	}
	json.NewEncoder(rw).Encode(struct {
		Open   bool    `json:"open"`
		Seq    *uint32 `json:"seq"`
		Left   int     `json:"ms_left"`
		Pulses int     `json:"pulses"`
	}{w.open, w.seq, 0, w.pulses})
}

// put opens or closes the contact by hand.
func (w *webRelay) put(open bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.open = open
}

func (w *webRelay) isOpen() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.open
}

// webFile writes a configuration whose contact is such a device.
func webFile(t *testing.T, d *webRelay, registrar, adapter string) string {
	t.Helper()
	s := httptest.NewServer(d)
	t.Cleanup(s.Close)
	path := daemontest.File(t, "127.0.0.1:1", registrar, adapter)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	head, rest, ok := strings.Cut(string(text), "    driver: modbus\n")
	require.True(t, ok)
	_, rest, _ = strings.Cut(rest, "\n")
	rest, _, _ = strings.Cut(rest, "    contact: {driver")
	text = []byte(head + "    driver: http\n    http: {url: '" + s.URL +
		"', user: clearback, password: {file: word}}\n" + rest +
		"    contact: {driver: http, controller: cabinet, require: oneshot}\n")
	require.NoError(t, os.WriteFile(path, text, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(path), "word"), []byte("curtain-47\n"), 0o600))
	return path
}

// A contact of another driver than Modbus is described, read, and closed without a daemon.
func TestContactOfAnotherDriver(t *testing.T) {
	d := &webRelay{open: true}
	path := webFile(t, d, daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "486 Busy Here"))
	code, out, errs := call("", "check", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out,
		"line box-office: contact of kind oneshot, web device cabinet. If the daemon or the link to the contact fails during an interruption, the device itself closes the loop")

	code, out, errs = call("", "close", "--config", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "every contact is closed")
	assert.False(t, d.isOpen())

	d.put(true)
	code, out, errs = call("", "check", "--live", path)
	assert.Equal(t, ExitOK, code, errs+out)
	assert.Regexp(t, `box-office .*reads closed`, out)
	assert.NotContains(t, out+errs, "curtain-47")
}

// check --live finds a device that refuses to open, without opening the loop. pulse and explain print the device's own
// error text.
func TestDeviceReasonIsShown(t *testing.T) {
	d := &webRelay{denies: "maintenance switch\nis \x1bon"}
	path := webFile(t, d, daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	const words = "403 Forbidden: maintenance switch is ?on"
	code, out, _ := call("", "check", "--live", path)
	assert.Equal(t, ExitFailed, code)
	assert.Regexp(t, `box-office .*reads closed, but the opening command FAILS: .*`+regexp.QuoteMeta(words), out)
	assert.Zero(t, d.pulses)

	stop := running(t, path, recorded(t, path))
	var errs string
	require.Eventually(t, func() bool {
		_, _, errs = call("", "pulse", "box-office", "--config", path)
		return strings.Contains(errs, words)
	}, 10*time.Second, 10*time.Millisecond)
	assert.Contains(t, errs, "box-office: the interruption was not made: controller-refused (")
	stop()
	_, out, errs = call("", "explain", "box-office", "--config", path)
	assert.Contains(t, strings.Join(strings.Fields(out), " "), words, errs)
	assert.NotContains(t, out, "welded")
}

// Without the password, the device refuses every command. close reports this and the faulty key, and does not claim
// that the loop is closed.
func TestCloseWithoutThePassword(t *testing.T) {
	d := &webRelay{open: true}
	path := webFile(t, d, "192.0.2.1", "192.0.2.2:5060")
	require.NoError(t, os.Remove(filepath.Join(filepath.Dir(path), "word")))
	code, out, errs := call("", "close", "--config", path, "--within", "200ms")
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, errs, "controllers[0].http.password: the secret cannot be read")
	assert.Contains(t, errs, "not known closed: box-office (cabinet)")
	assert.NotContains(t, out, "every contact is closed")
	assert.True(t, d.isOpen())
}

// check also reports faults that only a driver finds, and close then does not report success.
func TestFaultsFoundByDriversOnly(t *testing.T) {
	path := webFile(t, &webRelay{}, "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = []byte(strings.Replace(strings.Replace(string(text), "http://", "https://", 1), "user: clearback",
		"ca: nobody.pem, user: clearback", 1))
	require.NoError(t, os.WriteFile(path, text, 0o600))
	code, out, errs := call("", "check", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "controller cabinet: ")
	assert.Contains(t, errs, "nobody.pem")
	assert.NotContains(t, out, "no faults")
	code, out, errs = call("", "close", "--config", path)
	assert.Equal(t, ExitNotClosed, code)
	assert.Contains(t, errs, "nobody.pem")
	assert.NotContains(t, out, "every contact is closed")
}

// run warns at each start of a contact whose openings nothing bounds, but not of one whose openings the controller
// ends.
func TestRunWarnsOfUnboundedOpenings(t *testing.T) {
	for path, told := range map[string]bool{
		daemontest.File(t, "127.0.0.1:1", daemontest.Answering(t, "200 OK"), "127.0.0.1:9"): true,
		webFile(t, &webRelay{}, daemontest.Answering(t, "200 OK"), "127.0.0.1:9"):           false,
	} {
		signals, ended := make(chan os.Signal), make(chan int, 1) // one exit code, received below
		var out, errs outputBuffer
		go func() {
			ended <- Main([]string{"run", "--config", path}, Streams{In: strings.NewReader(""), Out: &out, Err: &errs},
				signals)
		}()
		require.Eventually(t, func() bool { return strings.Contains(errs.String(), `"ready"`) }, 10*time.Second,
			5*time.Millisecond, errs.String())
		signals <- os.Interrupt
		signals <- os.Interrupt // the second one ends the wait for the missing board, too
		<-ended
		assert.Equal(t, told,
			strings.Contains(errs.String(),
				"line box-office: its loop may stay open indefinitely if the daemon, this machine or the link to the board fails during an interruption"),
			errs.String())
	}
}

// run names the contacts that are not known to be closed once, in the log.
func TestRunNamesOpenContactsOnce(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1", "192.0.2.1", "192.0.2.2:5060")
	signals := make(chan os.Signal, 2) // the first ends it, the second at once
	signals <- os.Interrupt
	signals <- os.Interrupt
	var o, e outputBuffer
	code := Main([]string{"run", "--config", path}, Streams{In: strings.NewReader(""), Out: &o, Err: &e}, signals)
	assert.Equal(t, ExitNotClosed, code)
	assert.Equal(t, 1, strings.Count(e.String(), "box-office (cabinet)"), e.String())
	assert.Contains(t, e.String(), "not known closed: box-office (cabinet): ")
}
