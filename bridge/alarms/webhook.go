package alarms

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/transport"
	"clearback/supervision/alarm"
)

// WebhookOptions are a URL and the secret for its signature.
type WebhookOptions struct {
	// URL is https://host/path, or http:// in a network that you trust. Its path and query are never shown, since they
	// often are a secret.
	URL string
	TLS transport.TLS
	// Secret signs each message; empty: no signature. After the prefix whsec_ it is the key in base64; without that
	// prefix the text itself is the key.
	Secret string
}

const keyPrefix = "whsec_" // Standard Webhooks, "Signature scheme"

// Check returns what is wrong with the options. It reads no file.
func (o WebhookOptions) Check() []relay.Fault {
	var f relay.Faults
	u, err := url.Parse(o.URL)
	switch {
	case err != nil: // its text may contain a secret
		f.Add("url", "it cannot be parsed; write https://host/path")
	case u.User != nil:
		f.Add("url", "it contains a user; use the signature (secret) instead")
	case u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.Opaque != "" || u.Fragment != "":
		f.Add("url", "host %q: write https://host/path, and nothing else", u.Hostname())
	default:
		f = append(f, o.TLS.Check(u.Scheme == "https", "url", "https://")...)
	}
	if key, err := o.key(); err != nil || len(key) == 0 && o.Secret != "" {
		f.Add("secret", "what follows %s is not base64, or nothing; copy it again from the receiver's page", keyPrefix)
	}
	return f
}

func (o WebhookOptions) key() ([]byte, error) {
	if text, ok := strings.CutPrefix(o.Secret, keyPrefix); ok {
		return base64.StdEncoding.DecodeString(text)
	}
	return []byte(o.Secret), nil
}

// Webhook posts messages as JSON to a web server. The headers webhook-id, webhook-timestamp (seconds since 1970) and
// webhook-signature are those of the open specification Standard Webhooks (standardwebhooks.com): the signature is "v1,"
// and the base64 of the HMAC-SHA256 over ID, time and body, joined by full stops. The time is that of the attempt. The
// header Idempotency-Key has the ID too.
type Webhook struct {
	opt    WebhookOptions
	key    []byte
	host   string
	origin string // what may be shown of the URL
	files  reading[*tls.Config]
}

// NewWebhook returns a way out with the given options, or [ErrOptions]. Each attempt reads the certificate files, so
// that it takes renewed ones.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	if faults := o.Check(); len(faults) > 0 {
		return nil, relay.FaultError(ErrOptions, "webhook", faults)
	}
	u, err := url.Parse(o.URL)
	if err != nil {
		return nil, fmt.Errorf("%w: webhook: the URL cannot be parsed", ErrOptions) // Check has reported it
	}
	key, err := o.key()
	if err != nil {
		return nil, fmt.Errorf("%w: webhook: the secret is not base64", ErrOptions) // the same
	}
	return &Webhook{opt: o, key: key, host: u.Hostname(), origin: u.Scheme + "://" + u.Host}, nil
}

// client returns a client for one attempt. It follows no redirection.
func (w *Webhook) client(c *tls.Config) *http.Client {
	return &http.Client{
		Transport: &http.Transport{TLSClientConfig: c, DisableKeepAlives: true, MaxResponseHeaderBytes: 64 << 10,
			ForceAttemptHTTP2: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// Send posts a message. A status of 2yz means accepted. 4yz means refused, except 408, 425 and 429, which like any
// other status mean that it may succeed later. It follows no redirection.
func (w *Webhook) Send(ctx context.Context, m *alarm.Message) (answer string, err error) {
	body, err := json.Marshal(m)
	if err != nil {
		return "", &Permanent{fmt.Errorf("webhook: %w", err)}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.opt.URL, bytes.NewReader(body))
	if err != nil {
		return "", &Permanent{fmt.Errorf("webhook %s: %s", w.origin, w.fit(err))}
	}
	at := strconv.FormatInt(time.Now().Unix(), 10)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "clearback")
	r.Header.Set("Idempotency-Key", m.ID)
	r.Header.Set("webhook-id", m.ID)
	r.Header.Set("webhook-timestamp", at)
	if len(w.key) > 0 {
		r.Header.Set("webhook-signature", "v1,"+sign(w.key, m.ID, at, body))
	}
	c, err := w.files.do(ctx, func() (*tls.Config, error) { return w.opt.TLS.Config(w.host) })
	if err != nil {
		return "", fmt.Errorf("webhook %s: %w", w.origin, err)
	}
	a, err := w.client(c).Do(r)
	if err != nil {
		return "", fmt.Errorf("webhook %s: %s", w.origin, w.fit(err))
	}
	defer a.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(a.Body, 4*maxAnswer)) // the status counts, however much of the text arrives
	answer = w.fit(errors.New(a.Status + " " + string(said)))
	switch code := a.StatusCode; {
	case code >= 200 && code <= 299:
		return answer, nil
	case code >= 300 && code <= 399:
		return "", fmt.Errorf("webhook %s: it redirects, which is not followed; "+
			"correct the URL if that lasts: %s", w.origin, answer)
	case code >= 400 && code <= 499 && code != http.StatusRequestTimeout && code != http.StatusTooEarly &&
		code != http.StatusTooManyRequests:
		return "", &Permanent{fmt.Errorf("webhook %s refused the message: %s", w.origin, answer)}
	}
	return "", fmt.Errorf("webhook %s: %s", w.origin, answer)
}

func sign(key []byte, id, at string, body []byte) string {
	h := hmac.New(sha256.New, key)
	fmt.Fprintf(h, "%s.%s.%s", id, at, body)
	return base64.StdEncoding.EncodeToString(h.Sum(nil))
}

// fit returns the text of an error without our secrets.
func (w *Webhook) fit(err error) string {
	var e *url.Error
	if errors.As(err, &e) {
		err = e.Err // its text has the URL
	}
	hidden := []string{w.opt.Secret, strings.TrimPrefix(w.opt.Secret, keyPrefix), w.opt.URL}
	if u, err := url.Parse(w.opt.URL); err == nil {
		hidden = append(hidden, u.RequestURI(), u.Path, u.RawQuery)
	}
	short := func(s string) bool { return len(s) < 4 } // so short is no secret, such as the path /
	return fit(err.Error(), slices.DeleteFunc(hidden, short)...)
}
