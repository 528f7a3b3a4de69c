package httprelay

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// TestPulseShowsTheToken checks that a pulse contains the latest token of the device. To a device without tokens it is
// sent without one.
func TestPulseShowsTheToken(t *testing.T) {
	t.Parallel()
	for _, tokens := range []bool{true, false} {
		d := newDevice(t, order{"logs": true, "tokens": tokens})
		c := drive(t, d, Options{}, ContactOptions{})
		before := len(d.requests())
		require.Equal(t, relay.Done, pulse(t, c, 20*time.Millisecond).Outcome)
		all := d.requests()[before:]
		require.Equal(t, "GET /box-office/state", all[0].Request, "requested again for each pulse")
		require.Equal(t, "POST /box-office/pulse", all[1].Request)
		if tokens {
			require.Regexp(t, `^\{"seq":\d+,"ms":20,"token":"[0-9a-f]{16}"\}$`, all[1].Body)
		} else {
			require.Regexp(t, `^\{"seq":\d+,"ms":20\}$`, all[1].Body)
		}
	}
}

// TestLatePulseWithoutTokens checks that a device without tokens carries out an opening that it held until after a
// confirmed close. If it did not, tokens would not be needed.
func TestLatePulseWithoutTokens(t *testing.T) {
	t.Parallel()
	for _, tokens := range []bool{true, false} {
		d := newDevice(t, order{"tokens": tokens})
		c := drive(t, d, Options{}, ContactOptions{})
		d.fault(order{"do": "hold", "on": "opening", "once": true})
		require.Equal(t, relay.Unknown, pulse(t, c, 50*time.Millisecond).Outcome)
		require.NoError(t, c.Close(t.Context()))
		require.Eventually(t, func() bool { return d.Stalled() == 1 }, 5*time.Second, time.Millisecond)
		require.Zero(t, d.openings())
		d.Release()
		require.Equal(t, tokens, d.openings() == 0)
	}
}

// TestMissingToken checks that nothing is opened, and the refusal is sure, if the device has no state or an invalid
// token.
func TestMissingToken(t *testing.T) {
	t.Parallel()
	for state, why := range map[string]string{
		`{"open":false,"token":""}`:                                "its token is not valid",
		`{"open":false,"token":"a\"b"}`:                            "its token is not valid",
		`{"open":false,"token":"` + strings.Repeat("x", 65) + `"}`: "its token is not valid",
		`{"open":false,"token":7}`:                                 "it is not a valid state",
		`no state`:                                                 "it is not a valid state",
	} {
		var pulses atomic.Int32
		ready := make(chan struct{}) // closed when the contact is ready
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if strings.HasSuffix(r.URL.Path, "/pulse") {
				pulses.Add(1)
			}
			select {
			case <-ready:
				w.Write([]byte(state))
			default:
				json.NewEncoder(w).Encode(map[string]bool{"open": false})
			}
		}))
		b, err := NewBoard(Options{Name: "device", URL: s.URL, Poll: time.Hour, NoLock: true,
			Timeout: relaytest.Timeout(testTimeout)})
		require.NoError(t, err)
		c, err := b.Contact(ContactOptions{Name: relaytest.LineA})
		require.NoError(t, err)
		b.Start()
		require.NoError(t, b.Ready(t.Context()))
		close(ready)
		r := pulse(t, c, 20*time.Millisecond)
		require.Equal(t, relay.Refused, r.Outcome, state)
		require.ErrorIs(t, r.Err, ErrAnswer)
		require.ErrorContains(t, r.Err, why, state)
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		b.Shutdown(ended) // a device without a state is never known to be closed
		s.Close()
		require.Zero(t, pulses.Load(), state)
	}
}
