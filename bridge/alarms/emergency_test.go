package alarms

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
)

func emergency(id string) *alarm.Message {
	return &alarm.Message{ID: id, At: time.Now(), Urgent: true, Alarms: []alarm.Alarm{{Class: alarm.ClassEmergency}}}
}

// An emergency call overtakes a storm of other urgent messages, and is not dropped for them.
func TestEmergencyFirst(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		way := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"horn": way})
		require.NoError(t, q.Put(emergency("help"), nil))
		for i := range maxWaiting + 10 {
			require.NoError(t, q.Put(&alarm.Message{ID: fmt.Sprint("loop-", i), Urgent: true, At: time.Now()}, nil))
		}
		require.NoError(t, q.Put(emergency("help-again"), nil))
		synctest.Wait()
		way.set(nil)
		time.Sleep(time.Hour)
		got := way.got()
		require.Len(t, got, maxWaiting)
		require.Less(t, slices.Index(got, "help-again"), 2)
		require.Less(t, slices.Index(got, "help"), 2)
		require.GreaterOrEqual(t, slices.Index(got, "help"), 0)
		require.NoError(t, q.Close(time.Second))
	})
}

// An emergency call that the other side does not take, and does not refuse for good, holds up a loop only once.
func TestEmergencyThatFails(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		way := &fakeWay{answer: func(_ context.Context, m *alarm.Message) error {
			if m.ID == "help" {
				return errors.New("451")
			}
			return nil
		}}
		q, _ := openQueue(dir, map[string]Way{"horn": way})
		require.NoError(t, q.Put(emergency("help"), nil))
		require.NoError(t, q.Put(&alarm.Message{ID: "loop", Urgent: true, At: time.Now()}, nil))
		time.Sleep(2 * firstPause)
		require.Equal(t, []string{"loop"}, way.got())
		require.NoError(t, q.Close(time.Second))
	})
}
