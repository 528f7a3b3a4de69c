package daemon

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/relay/drivers"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
)

// SAFETY.md S131. A contact that is not known to be closed is told at the end, also if the daemon could not start:
// once, however often it starts, and not if it was told before. It is not told at a hand-over.
func TestAlarmOfContactsNotClosed(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	left := []drivers.NotClosed{{Line: "stage-door", Controller: "cabinet", Err: errors.New("no answer")}}
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		a.close(left, true)
		require.Empty(t, q.told(), "the next process closes it")

		for i := range 3 { // the daemon cannot start, and is started again
			a = prepareRunner(folder, q)
			a.close(left, false)
			if i == 0 {
				require.Contains(t, q.all[0].Alarms[0].What, "no answer")
				require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
			}
		}
		require.Empty(t, q.told())

		a = newRunner(folder, q)
		l := lineOf(a)
		time.Sleep(10 * time.Minute)
		require.Equal(t, []string{"ended line/stage-door/loop!"}, q.told())
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		a.close(append(left, drivers.NotClosed{Line: "workshop"}), false)
		require.Equal(t, []string{"begun line/stage-door/loop!", "begun line/workshop/loop!"}, q.told())
	})
}

// SAFETY.md S131. A contact that a reload could not close is told, also if the line is gone, until the daemon restarts.
// So is the contact of a line whose controller could not be started, until it is.
func TestAlarmOfContactsThatAReloadLeft(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		l := lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.d.lines.Store(&[]*Line{})
		left := []drivers.NotClosed{{Line: "stage-door", Controller: "cabinet", Err: errors.New("no answer")},
			{Line: "workshop", Controller: "cabinet", Err: errors.New("no answer")}}
		a.d.reloads.left.Store(&left)
		time.Sleep(alarmPoll)
		synctest.Wait()
		require.Contains(t, q.all[0].Alarms[0].Do, "restart the daemon")
		require.Equal(t, []string{"begun line/workshop/loop!"}, q.told())
		time.Sleep(time.Hour)
		require.Empty(t, q.told(), "the line is gone, and its loop is not known to be closed")
		a.d.reloads.left.Store(nil)
		time.Sleep(time.Hour)
		require.ElementsMatch(t, []string{"ended line/stage-door/loop!", "ended line/workshop/loop!"}, q.told())

		l = lineOf(a)
		l.setParts(func(p *parts) { p.contact = unopenedContact{errors.New("no such device")} })
		time.Sleep(alarmPoll)
		synctest.Wait()
		require.Contains(t, q.all[0].Alarms[0].What, "no such device")
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.close(nil, false)
	})
}

// SAFETY.md S131. A contact that a reload left is told at a hand-over too, since the next process does not know of it.
// After a restart the end of the alarm says that nobody looks at the contact any more.
func TestAlarmOfALeftContactOverARestart(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	left := []drivers.NotClosed{{Line: "stage-door", Controller: "cabinet", Err: errors.New("no answer")}}
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		lineOf(a).setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.d.lines.Store(&[]*Line{})
		both := append(left, drivers.NotClosed{Line: "workshop", Controller: "cabinet", Err: errors.New("no answer")})
		a.d.reloads.left.Store(&both)
		a.close(append(both, drivers.NotClosed{Line: "green-room", Controller: "cabinet"}), true)
		require.Equal(t, []string{"begun line/workshop/loop!"}, q.told())

		a = newRunner(folder, q)
		a.d.lines.Store(&[]*Line{})
		time.Sleep(time.Hour)
		synctest.Wait()
		ended := 0
		for _, m := range q.messages() {
			for _, one := range m.Alarms {
				require.Contains(t, one.What, "no longer looks at this contact")
				ended++
			}
		}
		require.Equal(t, 2, ended)
		require.ElementsMatch(t, []string{"ended line/stage-door/loop!", "ended line/workshop/loop!"}, q.told())

		a.d.reloads.left.Store(&left)
		time.Sleep(time.Minute)
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.close(left, false) // told already
		require.Empty(t, q.told())
		a = newRunner(folder, q)
		lineOf(a) // the line is in the file again
		time.Sleep(time.Hour)
		synctest.Wait()
		require.Contains(t, q.messages()[0].Alarms[0].What, "no longer looks at this contact")
		a.close(nil, false)
	})
}

// SAFETY.md S134. No message has a party of the call that it is about.
func TestAlarmsNameNoParty(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		l := lineOf(a)
		l.setCallInfo(callrecord.CallInfo{Line: l.name, Call: 7, Emergency: true,
			Party: callrecord.Party{Name: "Rosalind", Number: "555-0142"}})
		for why := supervision.IncidentNone + 1; why <= supervision.IncidentAdopted; why++ {
			l.mu.Lock()
			require.Equal(t, "Rosalind", l.callInfos[7].Party.Name)
			l.tellIncident(&callrecord.Incident{Line: l.name, Call: 7, Reason: why, Began: time.Now()})
			l.mu.Unlock()
		}
		l.setFault(time.Now(), supervision.IncidentLoopOpen)
		time.Sleep(time.Hour)
		q.mu.Lock()
		defer q.mu.Unlock()
		text, err := json.Marshal(q.all)
		require.NoError(t, err)
		require.Contains(t, string(text), supervision.IncidentEmergencyFailed.String())
		require.Contains(t, string(text), supervision.IncidentNoSound.String())
		require.NotContains(t, string(text), "555")
		require.NotContains(t, string(text), "Rosalind")
		go a.close(nil, false)
	})
}

func TestExpiringCertificates(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	paths := []string{filepath.Join(dir, "none.pem"), filepath.Join(dir, "soon.pem"), filepath.Join(dir, "later.pem")}
	certificate(t, paths[1], now.Add(expiresSoon-time.Hour))
	certificate(t, paths[2], now.Add(expiresSoon+time.Hour))
	all := expiringCertificates(paths[1:], now, zap.NewNop())
	require.Len(t, all, 1)
	require.Equal(t, "certificate"+paths[1], all[0].Alarm.Key)
	require.Contains(t, all[0].Alarm.What, "valid until")
	require.NoError(t, os.WriteFile(paths[1], []byte("-----BEGIN CERTIFICATE-----\n"+
		"AAAA\n-----END CERTIFICATE-----\n"), 0o600))
	all = expiringCertificates(paths[:2], now, zap.NewNop())
	require.Len(t, all, 2, "what cannot be read may have expired")
	require.Contains(t, all[0].Alarm.What, "no such file")
	require.Equal(t, "certificate"+paths[1], all[1].Alarm.Key)
	require.Contains(t, all[1].Alarm.What, "cannot be read")
}

// What a way has lost is told, by this way too, since it works again.
func TestWayReports(t *testing.T) {
	require.Empty(t, wayReports(map[string]alarms.Status{"mail": {Waiting: 3}, "horn": {}}))
	require.Empty(t, wayReports(map[string]alarms.Status{"mail": {Failure: "535"}}), "nobody could be told")
	all := wayReports(map[string]alarms.Status{"mail": {Failure: "535", Waiting: 4, Refused: 2, Dropped: 1}, "horn": {}})
	require.Len(t, all, 1)
	for _, want := range []string{"4 wait", "2 were refused", "1 were given up", "535"} {
		require.Contains(t, all[0].Alarm.What, want)
	}
	all = wayReports(map[string]alarms.Status{"mail": {Dropped: 1}})
	require.Len(t, all, 1)
	require.Contains(t, all[0].Alarm.What, "1 were given up")
	require.Len(t, wayReports(map[string]alarms.Status{"mail": {Refused: 1}}), 1)
}

// An incident that says why tells of an adapter that is not registered, and of a longer interval: nobody is told twice.
// What was told stands until it is over.
func TestSameTroubleIsToldOnce(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		synctest.Wait() // the first look, after the check of the certificates, is over
		l := lineOf(a)
		l.stayed = true
		l.reportIncident(supervision.ReportIncident, supervision.IncidentIntervalShort)
		time.Sleep(time.Hour)
		require.Equal(t, []string{"begun line/stage-door/interval-short"}, q.told())
		l.reportIncident(supervision.ReportIncidentEnded, supervision.IncidentIntervalShort)
		time.Sleep(time.Hour)
		require.ElementsMatch(t, []string{"begun line/stage-door/interval", "ended line/stage-door/interval-short"}, q.told())
		l.reportIncident(supervision.ReportIncident, supervision.IncidentIntervalShort)
		time.Sleep(time.Hour)
		require.Equal(t, []string{"begun line/stage-door/interval-short"}, q.told())
		a.close(nil, false)
	})
	require.Equal(t, "line/workshop/adapter-refused", sameTrouble("line/workshop/adapter"))
}

// On a disk that hangs, checks of certificates do not pile up, and the last one that was wanted is made afterwards.
func TestCertificateChecksDoNotPileUp(t *testing.T) {
	a := &alarmRunner{log: zap.NewNop(), certificates: make(chan []alarm.Report), quit: make(chan struct{})}
	first, last := &config.Config{}, &config.Config{}
	a.checkCertificates(first)
	for range 10 {
		a.checkCertificates(first)
	}
	a.checkCertificates(last)
	require.Same(t, last, a.checkNext)
	<-a.certificates
	a.certificatesChecked()
	require.Nil(t, a.checkNext)
	require.True(t, a.checking)
	<-a.certificates
	a.certificatesChecked()
	require.False(t, a.checking)
	select {
	case <-a.certificates:
		t.Fatal("another check was made")
	default:
	}
}
