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

// answerMax limits a response, in bytes. The state of 100 lines takes about 100 kB.
const answerMax = 16 << 20

// Client is the client of a [Server]. Its methods return an [*Error] if the server refused the request. Other errors
// are [ErrNotRunning] if no daemon accepts connections, [ErrPermission] if this user may not use the socket, and
// [ErrVersion] if another version answers. A method waits until its context ends, and may be called from any goroutine.
type Client struct {
	path string
	http http.Client
}

// NewClient returns a client, which connects with the first request.
func NewClient(path string) *Client {
	var d net.Dialer
	return &Client{path: path, http: http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn,
			error) {
			return d.DialContext(ctx, "unix", path)
		},
		// Shorter than the server's own timeout, so that no request is sent on a connection that the server is closing.
		IdleConnTimeout: idleTimeout / 2,
	}}}
}

// Close closes the connection, if it is idle. The client may be used again afterwards.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Daemon returns the state of the daemon and of all lines.
func (c *Client) Daemon(ctx context.Context) (Daemon, error) {
	var d Daemon
	err := c.do(ctx, http.MethodGet, "daemon", nil, &d)
	return d, err
}

// Reload makes the daemon read its configuration file again.
func (c *Client) Reload(ctx context.Context) (Reload, error) {
	var r Reload
	err := c.do(ctx, http.MethodPost, "reload", nil, &r)
	return r, err
}

// Restart returns what a restart now would do to the calls. It changes nothing. For a daemon that cannot hand its calls
// over, the error has [ReasonNoPath].
func (c *Client) Restart(ctx context.Context) (Restart, error) {
	var r Restart
	err := c.do(ctx, http.MethodGet, "restart", nil, &r)
	return r, err
}

// Pulse makes one manual interruption (interval 0: the line's own interval) and returns its outcome.
func (c *Client) Pulse(ctx context.Context, line string, interval time.Duration) (Pulse, error) {
	var p Pulse
	var b intervalBody
	if interval != 0 {
		b = milliseconds(interval)
	}
	err := c.do(ctx, http.MethodPost, linePath(line, "pulse"), b, &p)
	return p, err
}

// SetInterval changes the interval in use, but not the configuration file.
func (c *Client) SetInterval(ctx context.Context, line string, interval time.Duration) error {
	return c.do(ctx, http.MethodPut, linePath(line, "interval"), milliseconds(interval), nil)
}

// BeginTrials begins a tuning session on the line. The session ends with EndTrials, or if no request comes for some
// minutes.
func (c *Client) BeginTrials(ctx context.Context, line string) error {
	return c.do(ctx, http.MethodPost, linePath(line, "trials"), nil, nil)
}

// Ring calls the line and returns when the near end has answered.
func (c *Client) Ring(ctx context.Context, line string) (call uint64, err error) {
	var b callBody
	err = c.do(ctx, http.MethodPost, linePath(line, "trials/ring"), nil, &b)
	return b.Call, err
}

// Clear ends the trial's call with the given interval (0: a catch trial) and returns the outcome.
func (c *Client) Clear(ctx context.Context, line string, interval time.Duration, pulseDiallingOff bool) (Trial, error) {
	var t Trial
	err := c.do(ctx, http.MethodPost, linePath(line, "trials/clear"),
		clearBody{milliseconds(interval), pulseDiallingOff}, &t)
	return t, err
}

// SaveTrial records a trial in the journal.
func (c *Client) SaveTrial(ctx context.Context, line string, a TrialAnswer) error {
	return c.do(ctx, http.MethodPost, linePath(line, "trials/keep"), a, nil)
}

// EndTrials ends the tuning session.
func (c *Client) EndTrials(ctx context.Context, line string) error {
	return c.do(ctx, http.MethodDelete, linePath(line, "trials"), nil, nil)
}

func linePath(line, rest string) string { return "lines/" + url.PathEscape(line) + "/" + rest }

func milliseconds(d time.Duration) intervalBody {
	ms := d.Milliseconds()
	return intervalBody{&ms}
}

// do sends one request. out, if not nil, receives the response.
func (c *Client) do(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader // nil for methods without a body, such as GET
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

// read decodes a response.
func (c *Client) read(answer *http.Response, text []byte, out any) error {
	if v := answer.Header.Get(versionHeader); v != strconv.Itoa(Version) {
		if v == "" {
			return fmt.Errorf("%w: the program that answers at %s is not a clearback daemon; check control.socket in the configuration, and which program has the socket: ss -xlp",
				ErrVersion, c.path)
		}
		return fmt.Errorf("%w: the daemon at %s has version %s of the control interface, this program has version %d; use the clearback of the daemon's release, or restart the daemon with this one",
			ErrVersion, c.path, v, Version)
	}
	if answer.StatusCode >= 300 {
		e := &Error{Code: answer.StatusCode}
		if err := json.Unmarshal(text, e); err != nil || e.Text == "" {
			return fmt.Errorf("the daemon at %s answered %s without a reason", c.path, answer.Status)
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

// unanswered turns a connection error into one that says why there is no response and what to do.
func (c *Client) unanswered(err error) error {
	if cause := (*url.Error)(nil); errors.As(err, &cause) {
		err = cause.Err
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%w: %s does not exist; is the daemon running (systemctl status clearback), and is this its configuration?",
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
