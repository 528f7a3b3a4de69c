package httprelay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"clearback/bridge/relay/controller"
)

// tokenMax is the length of the contract's longest token.
const tokenMax = 64

// token asks a contract device for the token of the next pulse. It is called just before each pulse, since a token
// lives for a second. It returns "" if the device's state has no token, so that the device cannot refuse a late pulse,
// or if the device does not implement the contract.
func (d *device) token(ctx context.Context) (string, error) {
	if !d.contact.opt.contract {
		return "", nil
	}
	answer, err := d.exchange(ctx, d.contact.read, numbers(0, 0), func() error { return nil })
	if no := (*controller.Refusal)(nil); errors.As(err, &no) {
		return "", &controller.Refusal{Cause: err, Sure: true} // the request was a read, which opens nothing
	}
	if err != nil {
		return "", err
	}
	var state struct {
		Token *string `json:"token"`
	}
	if err := json.Unmarshal(answer, &state); err != nil {
		return "", notOpened("%s: %w: it is not a valid state", d.contact.read.what, ErrAnswer)
	}
	switch t := state.Token; {
	case t == nil:
		return "", nil
	case len(*t) > tokenMax || !unreserved.MatchString(*t):
		return "", notOpened("%s: %w: its token is not valid; allowed are 1 to %d letters, digits and - . _ ~",
			d.contact.read.what, ErrAnswer, tokenMax)
	default:
		return *t, nil
	}
}

// notOpened returns the refusal of an opening whose pulse was not even sent.
func notOpened(format string, a ...any) error {
	return &controller.Refusal{Cause: fmt.Errorf(format, a...), Sure: true}
}
