package controller

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

// TestMarkIfIdle checks that a reading owes a close only if nothing has happened to the contact since the reading.
func TestMarkIfIdle(t *testing.T) {
	found := errors.New("found open")
	for name, c := range map[string]struct {
		change func(*Contact)
		want   bool
	}{
		"idle":                                {func(*Contact) {}, true},
		"driven":                              {func(c *Contact) { c.current = &opening{} }, false},
		"driven, and the opening was written": {func(c *Contact) { c.current, c.opens = &opening{}, 8 }, false},
		"driven since":                        {func(c *Contact) { c.opens = 8 }, false},
		"owed already": {func(c *Contact) { c.closeRetrier.OweLater(errors.New("earlier")) },
			false},
	} {
		t.Run(name, func(t *testing.T) {
			contact := newContact(New(Options{}), 0, ContactOptions{})
			require.True(t, contact.closeRetrier.Settle(contact.closeRetrier.Epoch()))
			contact.opens = 7
			c.change(contact)
			alarm := contact.markIfIdle(7, found)
			require.Equal(t, c.want, alarm != nil)
			require.Equal(t, c.want, errors.Is(contact.closeRetrier.Owed(), found))
		})
	}
}

// silent is a device that sends nothing. It returns err, or success if err is nil.
type silent struct{ err error }

func (s silent) Do(context.Context, Request, func() error) (relay.Level, error) {
	return relay.LevelClosed, s.err
}
func (silent) Close() error { return nil }

// TestCallsWithoutSending checks that a request that failed before it was sent has no answer, and that a request that
// succeeded without being sent has one.
func TestCallsWithoutSending(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := NewDeviceSession(silent{errors.New("gone")}, time.Second)
		c := NewPendingRequest()
		require.ErrorIs(t, s.Start(c, Request{Op: Open}, nil), relay.ErrUnreachable)
		synctest.Wait()
		require.Empty(t, c.answer)
		s.Stop(false)

		s = NewDeviceSession(silent{}, time.Second)
		c = NewPendingRequest()
		require.NoError(t, s.Start(c, Request{Op: Open}, nil))
		synctest.Wait()
		require.Len(t, c.answer, 1)
		require.NoError(t, s.Cause())
		s.Stop(false)
	})
}
