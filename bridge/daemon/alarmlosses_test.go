package daemon

import (
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/alarms"
	"clearback/supervision/alarm"
)

func (q *messageQueue) setState(name string, s alarms.Status) {
	q.mu.Lock()
	defer q.mu.Unlock()
	states := map[string]alarms.Status{"horn": {}}
	if name != "" {
		states[name] = s
	}
	q.states = states
}

// messages returns what was put once everything has come to rest. It needs synctest.
func (q *messageQueue) messages() []alarm.Message {
	synctest.Wait()
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.all)
}

// The alarm about messages that a way has lost ends once it was told and the way has accepted another message, or when
// a reload removes the way. A later loss is another one.
func TestAlarmOfLostMessagesEnds(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		q.setState("mail", alarms.Status{Dropped: 2, Refused: 1, Attempts: alarms.Attempts{Accepted: 5}})
		a := newRunner(folder, q)
		lineOf(a)
		time.Sleep(time.Minute)
		q.setState("mail", alarms.Status{Dropped: 2, Refused: 1, Attempts: alarms.Attempts{Accepted: 6}}) // nobody knows of the loss yet
		time.Sleep(wayLostFor - 2*time.Minute)
		require.Empty(t, q.told())
		time.Sleep(7 * time.Hour)
		require.Equal(t, []string{"begun way/mail", "lasts way/mail"}, q.told())
		q.setState("mail", alarms.Status{Dropped: 2, Refused: 1, Attempts: alarms.Attempts{Accepted: 7}})
		time.Sleep(24 * time.Hour)
		require.Equal(t, []string{"ended way/mail"}, q.told())

		q.setState("mail", alarms.Status{Dropped: 2, Attempts: alarms.Attempts{Accepted: 8}}) // the refused one was accepted
		time.Sleep(24 * time.Hour)
		require.Empty(t, q.told())
		q.setState("mail", alarms.Status{Dropped: 3, Attempts: alarms.Attempts{Accepted: 8}})
		time.Sleep(time.Hour)
		require.Equal(t, []string{"begun way/mail"}, q.told())
		q.setState("", alarms.Status{})
		time.Sleep(24 * time.Hour)
		require.Equal(t, []string{"ended way/mail"}, q.told())
		q.setState("mail", alarms.Status{Dropped: 1})
		time.Sleep(3 * time.Hour)
		require.Equal(t, []string{"begun way/mail"}, q.told(), "another way of that name")
		a.close(nil, false)
	})
}

// The other ways tell what a way that the file no longer has, or has under another name, has not sent.
func TestAlarmOfARemovedWay(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true, gone: map[string]int{"mail": 3}}
		a := newRunner(folder, q)
		lineOf(a)
		time.Sleep(time.Minute)
		require.Contains(t, q.messages()[0].Alarms[0].What, "3 messages")
		require.Equal(t, []string{"begun way/mail/removed"}, q.told())
		time.Sleep(24 * time.Hour)
		require.Empty(t, q.told())
		a.close(nil, false)
	})
}
