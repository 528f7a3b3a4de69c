package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"
)

// action handles a request. A nil result without an error is the status 204.
type action func(s *Server, r *http.Request) (any, error)

// lineAction handles a request about a line.
type lineAction func(s *Server, r *http.Request, line string, body []byte) (any, error)

// route finds the action for a request, and reads the body.
func route(w http.ResponseWriter, r *http.Request) (action, error) {
	parts := strings.Split(strings.TrimPrefix(r.URL.EscapedPath(), "/"), "/")
	if parts[0] != fmt.Sprintf("v%d", Version) {
		return nil, &Error{Code: http.StatusNotFound, Reason: ReasonNoVersion,
			Text: fmt.Sprintf("this daemon has version %d of the control interface; request /v%d/..., or use the clearback of the daemon's release",
				Version, Version)}
	}
	if len(parts) == 2 && parts[1] == "daemon" {
		if err := method(w, r, http.MethodGet); err != nil {
			return nil, err
		}
		return func(s *Server, _ *http.Request) (any, error) { return s.backend.Daemon(), nil }, nil
	}
	if len(parts) == 2 && parts[1] == "restart" {
		if err := method(w, r, http.MethodGet); err != nil {
			return nil, err
		}
		return func(s *Server, _ *http.Request) (any, error) { return s.backend.Restart() }, nil
	}
	if len(parts) == 2 && parts[1] == "reload" {
		if err := method(w, r, http.MethodPost); err != nil {
			return nil, err
		}
		body, err := readBody(w, r)
		if err == nil {
			_, err = parse[empty](body)
		}
		return func(s *Server, _ *http.Request) (any, error) { return s.backend.Reload() }, err
	}
	if len(parts) < 4 || parts[1] != "lines" {
		return nil, noPath(r)
	}
	line, err := url.PathUnescape(parts[2])
	if err != nil || line == "" {
		return nil, noPath(r)
	}
	methods := lineActions(strings.Join(parts[3:], "/"))
	if methods == nil {
		return nil, noPath(r)
	}
	if err := method(w, r, slices.Sorted(maps.Keys(methods))...); err != nil {
		return nil, err
	}
	body, err := readBody(w, r)
	if err != nil {
		return nil, err
	}
	do := methods[r.Method]
	return func(s *Server, r *http.Request) (any, error) { return do(s, r, line, body) }, nil
}

// lineActions returns the methods of a path below a line, or nil if there is no such path.
func lineActions(path string) map[string]lineAction {
	switch path {
	case "pulse":
		return map[string]lineAction{http.MethodPost: pulse}
	case "interval":
		return map[string]lineAction{http.MethodPut: setInterval}
	case "trials":
		return map[string]lineAction{http.MethodPost: beginTrials, http.MethodDelete: endTrials}
	case "trials/ring":
		return map[string]lineAction{http.MethodPost: ring}
	case "trials/clear":
		return map[string]lineAction{http.MethodPost: clearTrial}
	case "trials/keep":
		return map[string]lineAction{http.MethodPost: saveTrial}
	case "second-server":
		return map[string]lineAction{http.MethodPost: testSecondServer, http.MethodPut: secondServerTested}
	default:
		return nil
	}
}

func noPath(r *http.Request) error {
	return &Error{Code: http.StatusNotFound, Reason: ReasonNoPath,
		Text: fmt.Sprintf("there is no path %q; version %d has /v%d/daemon, /v%[3]d/reload, /v%[3]d/restart and /v%[3]d/lines/LINE/...",
			r.URL.Path, Version, Version)}
}

func method(w http.ResponseWriter, r *http.Request, allowed ...string) error {
	if slices.Contains(allowed, r.Method) {
		return nil
	}
	all := strings.Join(allowed, ", ")
	w.Header().Set("Allow", all)
	return &Error{Code: http.StatusMethodNotAllowed, Reason: ReasonNoPath,
		Text: fmt.Sprintf("%q does not allow %s; it allows %s", r.URL.Path, r.Method, all)}
}

// readBody reads the whole body within the read timeout, and then removes that timeout. The action may take a minute,
// and meanwhile the server has to notice a client that disconnects.
func readBody(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, bodyMax))
	if long := (*http.MaxBytesError)(nil); errors.As(err, &long) {
		return nil, &Error{Code: http.StatusRequestEntityTooLarge, Reason: ReasonBadBody,
			Text: fmt.Sprintf("the body is longer than %d bytes", bodyMax)}
	}
	if err != nil {
		return nil, badBody("reading it: %v", err)
	}
	if err := http.NewResponseController(w).SetReadDeadline(time.Time{}); err != nil &&
		!errors.Is(err, http.ErrNotSupported) {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	return body, nil
}

func badBody(format string, a ...any) error {
	return &Error{Code: http.StatusBadRequest, Reason: ReasonBadBody, Text: "the body of the request: " +
		fmt.Sprintf(format, a...)}
}

// parse reads the one JSON object of a body strictly. An empty body is an empty object.
func parse[T any](body []byte) (T, error) {
	var v T
	if len(bytes.TrimSpace(body)) == 0 {
		return v, nil
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		return v, badBody("%v; it has to be one JSON object with the fields of version %d", err, Version)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return v, badBody("there is something after the JSON object")
	}
	return v, nil
}

// intervalBody is the body of a request with an interval.
type intervalBody struct {
	Milliseconds *int64 `json:"interval_ms"`
}

// longest is the longest interval that is passed on, so that no number overflows. The line's policy sets its own, far
// lower limit.
const longest = time.Minute

func (b intervalBody) interval() (time.Duration, error) {
	if b.Milliseconds == nil {
		return 0, badBody("interval_ms is missing")
	}
	if ms := *b.Milliseconds; ms < 0 || ms > longest.Milliseconds() {
		return 0, badBody("interval_ms %d; allowed are 0 to %d, and what the line's policy allows", ms,
			longest.Milliseconds())
	}
	return time.Duration(*b.Milliseconds) * time.Millisecond, nil
}

func pulse(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	b, err := parse[intervalBody](body)
	if err != nil {
		return nil, err
	}
	var d time.Duration
	if b.Milliseconds != nil {
		if d, err = b.interval(); err != nil {
			return nil, err
		}
	}
	return s.backend.Pulse(s.ctx, line, d)
}

func setInterval(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	b, err := parse[intervalBody](body)
	if err != nil {
		return nil, err
	}
	d, err := b.interval()
	if err == nil && d == 0 {
		err = badBody("interval_ms is 0")
	}
	if err != nil {
		return nil, err
	}
	return nil, s.backend.SetInterval(line, d)
}

// empty is the body of a request without fields.
type empty struct{}

func beginTrials(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	if _, err := parse[empty](body); err != nil {
		return nil, err
	}
	return nil, s.backend.BeginTrials(line)
}

func endTrials(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	if _, err := parse[empty](body); err != nil {
		return nil, err
	}
	return nil, s.backend.EndTrials(line)
}

// callBody is the answer to trials/ring.
type callBody struct {
	Call uint64 `json:"call"`
}

func ring(s *Server, r *http.Request, line string, body []byte) (any, error) {
	if _, err := parse[empty](body); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(r.Context()) // ends when the client disconnects
	defer cancel()
	defer context.AfterFunc(s.ctx, cancel)()
	call, err := s.backend.Ring(ctx, line)
	return callBody{call}, err
}

// clearBody is the body of trials/clear.
type clearBody struct {
	intervalBody
	PulseDiallingOff bool `json:"pulse_dialling_off,omitempty"`
}

func clearTrial(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	b, err := parse[clearBody](body)
	if err != nil {
		return nil, err
	}
	d, err := b.interval()
	if err != nil {
		return nil, err
	}
	return s.backend.Clear(s.ctx, line, d, b.PulseDiallingOff)
}

func saveTrial(s *Server, _ *http.Request, line string, body []byte) (any, error) {
	b, err := parse[TrialAnswer](body)
	if err != nil {
		return nil, err
	}
	switch b.Cleared {
	case "cleared", "stayed", "unknown":
		return nil, s.backend.SaveTrial(line, b)
	default:
		return nil, badBody("cleared %q; allowed are cleared, stayed and unknown", b.Cleared)
	}
}

// answer writes the response.
func (s *Server) answer(w http.ResponseWriter, out any, err error) {
	code := http.StatusOK
	if err != nil {
		var e *Error
		if !errors.As(err, &e) {
			s.log.Warn("control: a request failed", zap.Error(err))
			e = &Error{Reason: ReasonFailed, Text: err.Error()}
		}
		if code = e.Code; code < 400 || code > 599 {
			code = http.StatusInternalServerError
		}
		out = e
	}
	// A client that does not receive its response must not block the server for long. An httptest.ResponseRecorder does
	// not support deadlines.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil &&
		!errors.Is(err, http.ErrNotSupported) {
		return // the connection is gone
	}
	// The response is sent before the request counts as done. After that, a server that is closing closes the
	// connection.
	defer func() { _ = http.NewResponseController(w).Flush() }()
	if out == nil {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	text, err := json.Marshal(out)
	if err != nil {
		s.log.Error("control: a response cannot be encoded as JSON", zap.Error(err))
		w.WriteHeader(http.StatusInternalServerError)
		return
	}
	text = append(text, '\n')
	w.Header().Set("Content-Type", "application/json")
	// so that the response is complete even if the connection closes
	w.Header().Set("Content-Length", strconv.Itoa(len(text)))
	w.WriteHeader(code)
	_, _ = w.Write(text) // the client may have disconnected
}
