package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"syscall"
	"time"
)

// answerMax bounds an answer: 100 lines are some 100 kB.
const answerMax = 16 << 20

// Client is the other end. Its methods return [*Error] where the server said no, and an error that is [ErrNotRunning]
// where nobody answers, [ErrPermission] where the socket is not for this user, [ErrVersion] where another version
// answers. They wait as long as their context lets them, and may be called from any goroutine.
type Client struct {
	path string
	http http.Client
}

// NewClient connects with the first request.
func NewClient(path string) *Client {
	var d net.Dialer
	return &Client{path: path, http: http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn,
			error) {
			return d.DialContext(ctx, "unix", path)
		},
		// Shorter than the server's own patience, so that a request never meets a connection that is being closed.
		IdleConnTimeout: idleTimeout / 2,
	}}}
}

// Close gives up the connection, if it is idle. A client may be used again afterwards.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Daemon asks for everything.
func (c *Client) Daemon(ctx context.Context) (Daemon, error) {
	var d Daemon
	err := c.do(ctx, http.MethodGet, "daemon", nil, &d)
	return d, err
}

// Pulse asks for one interruption by hand (0: the line's own interval) and waits for what became of it.
func (c *Client) Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error) {
	var p Pulse
	var b intervalBody
	if interval != 0 {
		b = milliseconds(interval)
	}
	err := c.do(ctx, http.MethodPost, linePath(line, "pulse"), b, &p)
	return p, err
}

// SetInterval changes the interval in use; the configuration file is the caller's business.
func (c *Client) SetInterval(ctx context.Context, line string, interval time.Duration) error {
	return c.do(ctx, http.MethodPut, linePath(line, "interval"), milliseconds(interval), nil)
}

// BeginTrials begins a tuning session on the line. It ends with EndTrials, or when nothing was asked of it for some
// minutes.
func (c *Client) BeginTrials(ctx context.Context, line string) error {
	return c.do(ctx, http.MethodPost, linePath(line, "trials"), nil, nil)
}

// Ring calls the line and returns when the near end answered.
func (c *Client) Ring(ctx context.Context, line string) (call uint64, err error) {
	var b callBody
	err = c.do(ctx, http.MethodPost, linePath(line, "trials/ring"), nil, &b)
	return b.Call, err
}

// Clear clears the trial's call with the interval (0: a catch trial).
func (c *Client) Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error) {
	var t Trial
	err := c.do(ctx, http.MethodPost, linePath(line, "trials/clear"),
		clearBody{milliseconds(interval), pulseDiallingOff}, &t)
	return t, err
}

// SaveTrial puts a trial into the journal.
func (c *Client) SaveTrial(ctx context.Context, line string, a TrialAnswer) error {
	return c.do(ctx, http.MethodPost, linePath(line, "trials/keep"), a, nil)
}

// EndTrials ends the session.
func (c *Client) EndTrials(ctx context.Context, line string) error {
	return c.do(ctx, http.MethodDelete, linePath(line, "trials"), nil, nil)
}

func linePath(line, rest string) string { return "lines/" + url.PathEscape(line) + "/" + rest }

func milliseconds(d time.Duration) intervalBody {
	ms := d.Milliseconds()
	return intervalBody{&ms}
}

// do asks once; out, if not nil, takes the answer.
func (c *Client) do(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader // none: GET and the like
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return fmt.Errorf("asking the daemon: %w", err)
		}
		body = bytes.NewReader(text)
	}
	r, err := http.NewRequestWithContext(ctx, method, fmt.Sprintf("http://clearback/v%d/%s", Version, path), body)
	if err != nil {
		return fmt.Errorf("asking the daemon: %w", err)
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := c.http.Do(r)
	if err != nil {
		return c.unanswered(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, answerMax))
	if err != nil {
		return c.unanswered(err)
	}
	return c.read(answer, text, out)
}

// read takes an answer apart.
func (c *Client) read(answer *http.Response, text []byte, out any) error {
	if v := answer.Header.Get(versionHeader); v != strconv.Itoa(Version) {
		if v == "" {
			return fmt.Errorf("%w: what answers at %s is no clearback daemon; see control.socket in the configuration, and who has the socket: ss -xlp",
				ErrVersion, c.path)
		}
		return fmt.Errorf("%w: the daemon at %s speaks version %s, this program version %d; use the clearback of the daemon's release, or restart the daemon with this one",
			ErrVersion, c.path, v, Version)
	}
	if answer.StatusCode >= 300 {
		e := &Error{Code: answer.StatusCode}
		if err := json.Unmarshal(text, e); err != nil || e.Text == "" {
			return fmt.Errorf("the daemon at %s answered %s without saying why", c.path, answer.Status)
		}
		return e
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(text, out); err != nil {
		return fmt.Errorf("the answer of the daemon at %s: %w", c.path, err)
	}
	return nil
}

// unanswered says why there is no answer, and what to do.
func (c *Client) unanswered(err error) error {
	if cause := (*url.Error)(nil); errors.As(err, &cause) {
		err = cause.Err
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w: %s is not there; is the daemon running (systemctl status clearback), and is this its configuration?",
			ErrNotRunning, c.path)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%w: %s was left behind by a daemon that has died; start it (systemctl start clearback)",
			ErrNotRunning, c.path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%w: %s %s", ErrPermission, c.path, socketUsers(c.path))
	default:
		return fmt.Errorf("asking the daemon at %s: %w", c.path, err)
	}
}
