package alarms

import (
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/transport"

	"github.com/stretchr/testify/require"
)

// TestWebhook has Python's web server check signature, headers and body, and answer each status. The location that it
// names is never asked, and no error shows the path or the secret, though the server repeats both.
func TestWebhook(t *testing.T) {
	const secret = "fly gallery"
	server := programtest.Start(t, exec.Command(programtest.Need(t, "python3", "python3"), "testdata/webhook.py", secret))
	port, ok := server.Next(t, 2*time.Minute)
	require.True(t, ok)
	for status, refused := range map[int]bool{200: false, 202: false, 204: false, 301: false, 307: false, 400: true,
		401: true, 404: true, 408: false, 410: true, 425: false, 429: false, 500: false, 503: false} {
		w, err := NewWebhook(WebhookOptions{URL: fmt.Sprintf("http://127.0.0.1:%s/hook-token/%d/", port, status), Secret: secret})
		require.NoError(t, err)
		m := message(t, "a-1", true, "line/box-office/unreachable")
		m.Text = "Prüfen Sie die Leitung <1> & 2.\n"
		answer, err := send(t, w, m, 10*time.Second)
		said := answer
		if status >= 300 {
			require.Error(t, err)
			require.Equal(t, refused, permanent(err), err)
			said = err.Error()
		} else {
			require.NoError(t, err)
		}
		require.Contains(t, said, fmt.Sprint(status))
		if status != 204 {
			require.Contains(t, said, " good ")
		}
		require.NotContains(t, said, "hook-token")
		require.NotContains(t, said, secret)
		require.Less(t, len(said), 2*maxAnswer)
	}
}

// TestSignature compares with the example of the specification (standardwebhooks.com, "Signature scheme", from memory of
// its reference libraries' tests).
func TestSignature(t *testing.T) {
	key, err := WebhookOptions{Secret: "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}.key()
	require.NoError(t, err)
	require.Equal(t, "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
		sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`)))
}

// TestWebhookTLS checks that nothing is sent to a server whose certificate the authority has not signed.
func TestWebhookTLS(t *testing.T) {
	requests := make(chan string, 1) // one is a failure
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		requests <- r.URL.Path
	}))
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	s.StartTLS()
	defer s.Close()
	_, ca := certificate(t, "localhost", time.Now().Add(time.Hour))
	w, err := NewWebhook(WebhookOptions{URL: s.URL + "/hook-token", TLS: transport.TLS{CA: ca}})
	require.NoError(t, err)
	_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
	require.ErrorContains(t, err, "certificate")
	require.NotContains(t, err.Error(), "hook-token")
	require.False(t, permanent(err))
	require.Empty(t, requests)
}

// TestWebhookHangs checks that an attempt ends with its context, even in the middle of an answer that accepts.
func TestWebhookHangs(t *testing.T) {
	for name, begin := range map[string]bool{"silent": false, "accepts": true} {
		t.Run(name, func(t *testing.T) {
			end := make(chan struct{}) // closed at the test's end
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				if begin {
					w.WriteHeader(http.StatusOK)
					_ = http.NewResponseController(w).Flush()
				}
				<-end
			}))
			defer s.Close()
			defer close(end)
			w, err := NewWebhook(WebhookOptions{URL: s.URL})
			require.NoError(t, err)
			_, err = send(t, w, message(t, "a-1", false), time.Second)
			require.Equal(t, begin, err == nil, err)
			require.False(t, permanent(err))
		})
	}
}

// TestWebhookHides checks that of a URL with a secret in its query that is hidden, and not each slash of an answer.
func TestWebhookHides(t *testing.T) {
	w, err := NewWebhook(WebhookOptions{URL: "https://hook.example/?token=s3cret"})
	require.NoError(t, err)
	require.Equal(t, "no (secret) in text/html (secret)", w.fit(errors.New("no token=s3cret in text/html /?token=s3cret")))
}

// TestFit checks that secrets are removed in each form that a server may repeat.
func TestFit(t *testing.T) {
	const secret = "a b/ü"
	for _, form := range []string{secret, "a+b%2F%C3%BC", "a%20b%2F%C3%BC", base64.StdEncoding.EncodeToString([]byte(secret))} {
		require.Equal(t, "no: (secret)!", fit("no:\r\n "+form+"!", "", secret))
	}
	require.LessOrEqual(t, len(fit(strings.Repeat("x", 5000))), maxAnswer+3)
	require.NotContains(t, fit("a\x1b[2Jb"), "\x1b")
}
