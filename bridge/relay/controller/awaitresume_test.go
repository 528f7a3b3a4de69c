package controller

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

// newOutlasting returns a contact whose opening was confirmed for so long, and goes on without its connection.
func newOutlasting(t *testing.T, opened func(time.Time), length time.Duration) (*Contact, *opening) {
	c, err := New(Options{Name: "bench", At: "here", NoLock: true}).Contact(ContactOptions{Name: "box-office",
		Timed: &Timed{Quantum: time.Millisecond, Limit: time.Minute, SurvivesLoss: true}})
	require.NoError(t, err)
	now := time.Now()
	stop := make(chan struct{})
	o := &opening{Interruption: relay.Interruption{Duration: length, Opened: opened}, stop: stop,
		withdraw: func() { close(stop) }, due: now.Add(length), resumption: make(chan resumption, 1), at: now,
		end: now.Add(length), proof: now.Add(length)}
	c.current = o
	return c, o
}

// TestUntilWhenAnOpeningIsReadBack: until 100 ms after the loss, or 50 ms after its end, whichever is earlier; and not
// once it is to end early.
func TestUntilWhenAnOpeningIsReadBack(t *testing.T) {
	for length, want := range map[time.Duration]time.Duration{time.Second: resumeWait,
		50 * time.Millisecond: resumeWait,
		49 * time.Millisecond: 99 * time.Millisecond} {
		synctest.Test(t, func(t *testing.T) {
			lost := time.Now()
			c, o := newOutlasting(t, nil, length)
			got, by := c.survivingOpening(lost)
			require.Same(t, o, got)
			require.Equal(t, want, by.Sub(lost))
			<-time.After(want - 1)
			got, _ = c.survivingOpening(lost)
			require.Same(t, o, got)
			<-time.After(1)
			got, _ = c.survivingOpening(lost)
			require.Nil(t, got)
			got, _ = c.survivingOpening(time.Now().Add(-resumeWait / 2))
			require.Equal(t, length > want, got != nil)
			o.withdraw()
			got, _ = c.survivingOpening(time.Now())
			require.Nil(t, got)
		})
	}
}

// TestAwaitResume: what an opening is taken for that was read back on the next connection, or was not in its time.
func TestAwaitResume(t *testing.T) {
	const length = 800 * time.Millisecond
	lost := errors.New("lost")
	for range 50 { // a withdrawal at the same instant never hides what was read
		synctest.Test(t, func(t *testing.T) {
			told := 0
			c, o := newOutlasting(t, func(time.Time) { told++ }, length)
			next := newLink(nil, nil)
			o.resumption <- resumption{next, relay.LevelOpen, o.at.Add(time.Millisecond)}
			o.withdraw()
			l, _ := c.awaitResume(nil, o, lost)
			require.Same(t, next, l)
			require.True(t, o.resumed)
			require.Equal(t, 1, told, "the loop was open")
		})
	}
	synctest.Test(t, func(t *testing.T) {
		c, o := newOutlasting(t, nil, length)
		for at, want := range map[time.Duration]relay.Outcome{length - 1: relay.Refused, length: relay.Done} {
			o.resumption <- resumption{nil, relay.LevelClosed, o.at.Add(at)}
			l, r := c.awaitResume(nil, o, lost)
			require.Nil(t, l)
			require.Equal(t, want, r.Outcome)
			require.Equal(t, at, r.OpenFor)
			require.Equal(t, want == relay.Refused, errors.Is(r.Err, relay.ErrShort))
		}
	})
	for length, want := range map[time.Duration]time.Duration{length: resumeWait,
		20 * time.Millisecond: 20*time.Millisecond + resumeOverrun} {
		synctest.Test(t, func(t *testing.T) {
			c, o := newOutlasting(t, nil, length)
			ended := NewDeviceSession(nil, time.Second).(*deviceSession)
			ended.fail(lost)
			l, r := c.awaitResume(newLink(ended, []*Contact{c}), o, lost)
			require.Nil(t, l)
			require.Equal(t, relay.Unknown, r.Outcome)
			require.ErrorIs(t, r.Err, lost)
			require.Equal(t, want, time.Since(o.at))
			require.Error(t, c.closeRetrier.Owed())
		})
	}
}
