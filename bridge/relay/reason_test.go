package relay_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
)

// words is an error that carries the device's own words.
type words string

func (words) Error() string    { return "refused" }
func (w words) Reason() string { return string(w) }

// Reason shows what a device says as one plain line of bounded length, and the whole error if the device says nothing.
func TestReason(t *testing.T) {
	device := words("register 16:\n\texception 2")
	for want, err := range map[string]error{
		"":                         nil,
		"register 16: exception 2": fmt.Errorf("line box-office: opening: %w: %w", relay.ErrRefused, device),
		"board loft: " + relay.ErrUnreachable.Error(): fmt.Errorf("board loft: %w", relay.ErrUnreachable),
		"?[31mred?? ?" + "?":                          errors.New("\x1b[31mred\u202e\x07 \xff\ufffd"),
		strings.Repeat("ä", 198) + "..":               errors.New(strings.Repeat("ä", 201)),
		strings.Repeat("ä", 200):                      errors.New(strings.Repeat("ä", 200)),
	} {
		require.Equal(t, want, relay.Reason(err))
	}
}
