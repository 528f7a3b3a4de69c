package httprelay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"clearback/bridge/relay/controller"
)

// tokenMax is the longest token of the contract.
const tokenMax = 64

// token asks a device with the contract what a pulse has to show now. It is asked just before each pulse, since a token
// lives for a second. Empty: the device tells none, and has nothing to refuse a late pulse by; or it has another
// contract.
func (d *device) token(ctx context.Context) (string, error) {
	if !d.contact.opt.contract {
		return "", nil
	}
	answer, err := d.exchange(ctx, d.contact.read, numbers(0, 0), func() error { return nil })
	if no := (*controller.Refusal)(nil); errors.As(err, &no) {
		return "", &controller.Refusal{Cause: err, Sure: true} // nothing was asked for that could have been done
	}
	if err != nil {
		return "", err
	}
	var state struct {
		Token *string `json:"token"`
	}
	if err := json.Unmarshal(answer, &state); err != nil {
		return "", notOpened("%s: %w: it is no state", d.contact.read.what, ErrAnswer)
	}
	switch t := state.Token; {
	case t == nil:
		return "", nil
	case len(*t) > tokenMax || !unreserved.MatchString(*t):
		return "", notOpened("%s: %w: its token is none: 1 to %d letters, digits and - . _ ~", d.contact.read.what,
			ErrAnswer, tokenMax)
	default:
		return *t, nil
	}
}

// notOpened is the refusal of an opening that was not even asked for.
func notOpened(format string, a ...any) error {
	return &controller.Refusal{Cause: fmt.Errorf(format, a...), Sure: true}
}
