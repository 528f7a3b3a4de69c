package controller

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// TestTrackClose checks which closes a later opening waits for, and until when.
func TestTrackClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := unansweredCloses{timeout: time.Second}
		track := func(before func() error) (*PendingRequest, error) {
			c := NewPendingRequest()
			return c, u.track(c, before)()
		}
		wait := func() time.Duration {
			over, until := u.next()
			require.Nil(t, over)
			return max(0, time.Until(until))
		}
		end := func(err error) {
			c, e := track(nil)
			require.NoError(t, e)
			over, _ := u.next()
			require.NotNil(t, over)
			c.End(Answer{Err: err})
			<-over
		}
		forbidden := errors.New("forbidden")
		_, err := track(func() error {
			over, _ := u.next()
			require.NotNil(t, over, "it counts before the opening under way is withdrawn")
			return forbidden
		})
		require.ErrorIs(t, err, forbidden)
		require.Zero(t, wait())
		end(nil)
		require.Zero(t, wait())
		end(&Refusal{Cause: forbidden})
		require.Zero(t, wait())
		end(&ConnectionLost{Cause: forbidden})
		require.Equal(t, time.Second, wait())
		<-time.After(3 * time.Second) // the controller stands still
		end(&Refusal{Cause: forbidden})
		require.Zero(t, wait(), "no opening is possible before a close is confirmed")
		end(nil)
		require.Equal(t, time.Second, wait())
		<-time.After(time.Second / 2)
		end(nil)
		require.Equal(t, time.Second/2, wait(), "only the first close that is confirmed")
		<-time.After(time.Second / 2)
		require.Zero(t, wait())
	})
}
