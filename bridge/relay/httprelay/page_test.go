package httprelay

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// pageDevice starts the device on the contract's page, and returns its URL.
func pageDevice(t *testing.T) string {
	t.Helper()
	page, err := os.ReadFile("../../../deploy/contract-http.md")
	require.NoError(t, err)
	_, code, found := strings.Cut(string(page), "```python\n")
	require.True(t, found)
	code, _, _ = strings.Cut(code, "```")
	file := filepath.Join(t.TempDir(), "device.py")
	require.NoError(t, os.WriteFile(file, []byte(code), 0o600))
	p := programtest.Start(t, exec.Command(programtest.Need(t, "python3", "python3"), file, "box-office", "127.0.0.1", "0"))
	return "http://127.0.0.1:" + p.Await(t, "", time.Minute)
}

// ask sends a request of the contract, as a client other than the driver.
func ask(t *testing.T, method, url, body string) (status int, state map[string]any) {
	t.Helper()
	r, err := http.NewRequest(method, url, strings.NewReader(body))
	require.NoError(t, err)
	r.Close = true
	a, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer a.Body.Close()
	require.Equal(t, "application/json", a.Header.Get("Content-Type"))
	text, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	require.NoError(t, json.NewDecoder(bytes.NewReader(text)).Decode(&state), "%s", text)
	return a.StatusCode, state
}

// TestPageDevice checks that the device on the contract's page does what the page says, for the driver and for other
// clients.
func TestPageDevice(t *testing.T) {
	t.Parallel()
	url := pageDevice(t)
	status, state := ask(t, "GET", url+"/box-office/state", "")
	require.Equal(t, 200, status)
	token := state["token"].(string)
	require.NotEmpty(t, token)
	delete(state, "token")
	require.Equal(t, map[string]any{"open": false, "seq": nil, "ms_left": 0.0, "pulses": 0.0}, state,
		"before the first pulse")

	b, err := NewBoard(Options{Name: "device", URL: url, Timeout: relaytest.Timeout(testTimeout), Poll: time.Hour})
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office"})
	require.NoError(t, err)
	b.Start()
	defer func() { require.Empty(t, b.Shutdown(t.Context())) }()
	require.NoError(t, b.Ready(t.Context()))
	require.NoError(t, c.Try(t.Context()))
	r := pulse(t, c, 60*time.Millisecond)
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	require.GreaterOrEqual(t, r.OpenFor, 59*time.Millisecond)
	r = pulse(t, c, 4*time.Second)
	require.Equal(t, relay.Refused, r.Outcome)
	require.Contains(t, relay.Reason(r.Err), `422 Unprocessable Entity: {"error": "too long; the limit is 3000 ms"}`)

	status, _ = ask(t, "POST", url+"/box-office/pulse", `{"seq":900,"ms":500,"token":"`+token+`"}`)
	require.Equal(t, 412, status, "a token from before a close")
	_, state = ask(t, "GET", url+"/box-office/state", "")
	order := `{"seq":901,"ms":2000,"token":"` + state["token"].(string) + `"}`
	status, state = ask(t, "POST", url+"/box-office/pulse", order)
	require.Equal(t, 200, status)
	require.Equal(t, true, state["open"])
	again, same := ask(t, "POST", url+"/box-office/pulse", order)
	require.Equal(t, 200, again)
	require.Equal(t, state["pulses"], same["pulses"], "the same number again has no effect")
	status, state = ask(t, "POST", url+"/box-office/pulse", `{"seq":902,"ms":0,"token":"`+same["token"].(string)+`"}`)
	require.Equal(t, 200, status)
	require.Equal(t, false, state["open"], "a length of 0 closes")
	for body, want := range map[string]int{"{": 400, `{"seq":903}`: 412, "[]": 400} {
		status, _ = ask(t, "POST", url+"/box-office/pulse", body)
		require.Equal(t, want, status, body)
	}
	status, _ = ask(t, "POST", url+"/stage-door/close", "")
	require.Equal(t, 404, status)
}
