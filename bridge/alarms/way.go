// Package alarms carries alarms to people and programs: by mail, to a webhook, to an MQTT broker and through a user's
// program. It decides nothing about what is told and when; package alarm does.
//
// A [Queue] keeps the messages on the disk until each way has accepted them, at least once.
package alarms

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net/url"
	"strings"

	"clearback/supervision/alarm"
	"clearback/supervision/sanitize"
)

// Way is a way out: mail, a webhook, MQTT or a program. Send returns what the other side answered. It ends by the
// context's deadline. Send is not called concurrently for one way.
type Way interface {
	Send(ctx context.Context, m *alarm.Message) (answer string, err error)
}

// Permanent is an error that another attempt cannot cure, such as an unknown mailbox or a wrong password.
type Permanent struct{ Err error }

func (p *Permanent) Error() string { return p.Err.Error() }

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("alarms: setting out of range")

// maxAnswer bounds an answer or an error of the other side, in characters. Our own number: two lines of a log.
const maxAnswer = 300

// fit makes what the other side said fit for a log, without our secrets, in whatever form it repeats them.
func fit(said string, secrets ...string) string {
	for _, s := range secrets {
		if s == "" {
			continue
		}
		for _, form := range []string{s, url.QueryEscape(s), url.PathEscape(s),
			base64.StdEncoding.EncodeToString([]byte(s))} {
			said = strings.ReplaceAll(said, form, "(secret)")
		}
	}
	return sanitize.Text(strings.Join(strings.Fields(said), " "), maxAnswer)
}

// reading reads files beside its caller, since a disk may not respond. There is one at a time: a later call takes the
// result of one that is still under way. Not for concurrent use.
type reading[T any] struct{ under chan func() (T, error) }

func (r *reading[T]) do(ctx context.Context, read func() (T, error)) (v T, err error) {
	if r.under == nil {
		under := make(chan func() (T, error), 1) // one result
		r.under = under
		go func() {
			v, err := read()
			under <- func() (T, error) { return v, err }
		}()
	}
	select {
	case result := <-r.under:
		r.under = nil
		return result()
	case <-ctx.Done():
		return v, fmt.Errorf("reading the certificates: the disk does not respond: %w", ctx.Err())
	}
}
