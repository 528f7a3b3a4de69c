package httprelay

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/transport"
)

const (
	// answerMax is the length of the longest accepted answer in bytes, including its head.
	answerMax = 64 << 10
	// interimMax is the number of interim answers (status 1xx) accepted before the final answer.
	interimMax = 5
)

var (
	// ErrAnswer means that the answer is malformed, incomplete or has an unexpected value.
	ErrAnswer = errors.New("httprelay: the answer cannot be used")
	// ErrStatus means that the device answered but did not confirm the command.
	ErrStatus = errors.New("httprelay: the device did not do as asked")
)

// device sends one contact's requests, each on a connection of its own.
type device struct {
	board   *Board
	contact *Contact
}

// Close does nothing, since each request ends its own connection.
func (*device) Close() error { return nil }

// Do sends a request of the contact.
func (d *device) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	c := d.contact
	switch r.Op {
	case controller.Open, controller.Try:
		token, err := d.token(ctx)
		if err != nil {
			return relay.LevelUnknown, err
		}
		return relay.LevelUnknown, d.command(ctx, c.open, numbersAndToken(c.seq.Add(1), r.Duration, token), before)
	case controller.Close:
		return relay.LevelUnknown, d.command(ctx, c.close, numbers(c.seq.Add(1), 0), before)
	case controller.Read:
		return d.question(ctx, c.read, c.opt.Read, before)
	default:
		return d.input(ctx, before)
	}
}

func (d *device) command(ctx context.Context, m *message, with *strings.Replacer, before func() error) error {
	answer, err := d.exchange(ctx, m, with, before)
	if err != nil || m.expect == nil {
		return err
	}
	got, err := transport.Value(answer, m.expect.Pointer)
	if err != nil {
		return fmt.Errorf("%s: %w: %w", m.what, ErrAnswer, err)
	}
	if !slices.Contains(m.expect.Values, got) {
		return &controller.Refusal{Cause: fmt.Errorf("%s: %w: its answer says %s; expected one of %q", m.what,
			ErrStatus, quoteShort(got), m.expect.Values)}
	}
	return nil
}

func (d *device) question(ctx context.Context, m *message, r *Read, before func() error) (relay.Level, error) {
	answer, err := d.exchange(ctx, m, numbers(0, 0), before)
	if err != nil {
		return relay.LevelUnknown, err
	}
	got, err := transport.Value(answer, r.Pointer)
	switch {
	case err != nil:
		return relay.LevelUnknown, fmt.Errorf("%s: %w: %w", m.what, ErrAnswer, err)
	case slices.Contains(r.Open, got):
		return relay.LevelOpen, nil
	case slices.Contains(r.Closed, got):
		return relay.LevelClosed, nil
	default:
		return relay.LevelUnknown, fmt.Errorf("%s: %w: it says %s, which is neither state", m.what, ErrAnswer,
			quoteShort(got))
	}
}

// input reads the loop-current input. A failure must not end an opening, so input returns it as a refusal, and before
// the request's time-out.
func (d *device) input(ctx context.Context, before func() error) (relay.Level, error) {
	short, cancel := context.WithTimeout(ctx, d.board.opt.Timeout*3/4)
	defer cancel()
	level, err := d.question(short, d.contact.sense, d.contact.opt.Sense, before)
	if err != nil && ctx.Err() == nil {
		err = &controller.Refusal{Cause: err}
	}
	return level, err
}

// exchange sends a request on a new connection and returns the body of a successful answer.
func (d *device) exchange(ctx context.Context, m *message, with *strings.Replacer, before func() error) ([]byte,
	error) {
	r, bytes, err := m.render(with)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.what, err)
	}
	conn, reset, err := d.dial(ctx)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.what, err)
	}
	// The connection always ends here. If the answer is incomplete it ends with a reset, so that data written but not
	// delivered does not arrive later.
	defer conn.Close()
	over := context.AfterFunc(ctx, reset)
	defer over()
	if err := before(); err != nil {
		return nil, err
	}
	answer, err := roundTrip(conn, r, bytes)
	if err != nil {
		reset()
		if ctx.Err() != nil { // the reset has ended the connection
			err = fmt.Errorf("no complete answer within %v: %w", d.board.opt.Timeout, ctx.Err())
		}
		return nil, fmt.Errorf("%s: %w", m.what, err)
	}
	return answer.body, m.check(answer)
}

// dial makes a connection, with TLS if configured. The function reset ends it at once and discards data that was not
// delivered.
func (d *device) dial(ctx context.Context) (conn net.Conn, reset func(), err error) {
	plain, err := d.board.opt.Dial(ctx, d.board.address)
	if err != nil {
		return nil, nil, err
	}
	reset = func() {
		if t, ok := plain.(interface{ SetLinger(int) error }); ok {
			_ = t.SetLinger(0) // fails only on a closed socket
		}
		_ = plain.Close()
	}
	if d.board.tls == nil {
		return plain, reset, nil
	}
	secure := tls.Client(plain, d.board.tls)
	if err := secure.HandshakeContext(ctx); err != nil {
		reset()
		return nil, nil, fmt.Errorf("TLS: %w", err)
	}
	return secure, reset, nil
}

// answer is a complete answer.
type answer struct {
	status int
	body   []byte
}

// roundTrip writes the request and reads the complete answer.
func roundTrip(conn net.Conn, r *http.Request, bytes []byte) (answer, error) {
	if _, err := conn.Write(bytes); err != nil {
		return answer{}, err
	}
	limit := &bounded{conn, answerMax}
	in := bufio.NewReader(limit)
	for range interimMax + 1 {
		a, err := http.ReadResponse(in, r)
		if err != nil {
			return answer{}, fmt.Errorf("%w: %w", ErrAnswer, limit.explain(err))
		}
		body, err := io.ReadAll(a.Body)
		if err != nil {
			return answer{}, fmt.Errorf("%w: %w", ErrAnswer, limit.explain(err))
		}
		switch {
		case a.StatusCode < 100 || a.StatusCode == http.StatusSwitchingProtocols:
			return answer{}, fmt.Errorf("%w: status code %d", ErrAnswer, a.StatusCode)
		case a.StatusCode >= 200:
			return answer{a.StatusCode, body}, nil
		}
	}
	return answer{}, fmt.Errorf("%w: more than %d interim answers", ErrAnswer, interimMax)
}

// bounded is a reader that fails when an answer becomes too long.
type bounded struct {
	io.Reader
	left int
}

var errLong = fmt.Errorf("it is longer than %d bytes", answerMax)

func (b *bounded) Read(p []byte) (int, error) {
	if b.left == 0 {
		return 0, errLong
	}
	n, err := b.Reader.Read(p[:min(len(p), b.left)])
	b.left -= n
	return n, err
}

// explain returns what is wrong with an answer. It does not show the answer, which may be long and repeat secrets of
// the request.
func (b *bounded) explain(err error) error {
	var broken net.Error
	switch {
	case b.left == 0: // otherwise the truncation would look like another fault
		return errLong
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("it ends too early")
	case errors.As(err, &broken):
		return broken
	default:
		return errors.New("it is not valid HTTP")
	}
}

// quoteShort returns a value of an answer in a form for errors.
func quoteShort(v string) string {
	if len(v) > 20 {
		return fmt.Sprintf("a text of %d bytes", len(v))
	}
	return strconv.Quote(v)
}

// check returns nil for a success, otherwise a refusal.
func (m *message) check(a answer) error {
	no := func(sure bool, text string) error {
		return &controller.Refusal{Sure: sure, Cause: fmt.Errorf("%s: %w: it answered %d %s%s", m.what, ErrStatus,
			a.status, http.StatusText(a.status), text+m.answerText(a.body))}
	}
	switch {
	case m.success == nil && a.status/100 == 2, slices.Contains(m.success, a.status):
		return nil
	case a.status/100 == 3:
		return no(false, ", which is a redirect and is not followed; configure the URL to which it leads")
	case m.refused == nil:
		return no(nothingDone(a.status), "")
	default:
		return no(slices.Contains(m.refused, a.status), "")
	}
}

// nothingDone reports whether a status code means that the device did nothing. A client error (4xx) does, with these
// exceptions: 408 (the device gave up waiting, perhaps half-way), 409 (the device is in another state, perhaps because
// the command arrived twice), 424 (another part was done and failed), 425 and 429 (often sent by a proxy that repeats
// requests itself), and 499 (sent by a proxy after we disconnected). A 404 counts even if a proxy may have sent it. A
// redirect does not count, since it may follow a command that was carried out (303).
func nothingDone(status int) bool {
	switch status {
	case 408, 409, 424, 425, 429, 499:
		return false
	}
	return status/100 == 4
}
