package daemon

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/relay"
	"clearback/bridge/runtimestate"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
)

// messageQueue is a queue in memory.
type messageQueue struct {
	mu      sync.Mutex
	all     []alarm.Message
	durable []func(error)
	onDisk  bool // messages are on the disk at once
	disk    sync.WaitGroup
	states  map[string]alarms.Status
	gone    map[string]int
	closed  int
	asked   int           // calls of Configure
	closing chan struct{} // if not nil, Close hangs until it is closed
}

func (q *messageQueue) Put(m *alarm.Message, durable func(error)) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.all = append(q.all, *m)
	if q.onDisk {
		q.disk.Go(func() { durable(nil) })
	} else {
		q.durable = append(q.durable, durable)
	}
	return nil
}

func (q *messageQueue) Status() map[string]alarms.Status {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.states
}

func (q *messageQueue) Gone() map[string]int {
	q.mu.Lock()
	defer q.mu.Unlock()
	gone := q.gone
	q.gone = nil
	return gone
}

func (q *messageQueue) Configure(*config.Config) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.asked++
}

func (q *messageQueue) Close(time.Duration) error {
	q.mu.Lock()
	q.closed++
	q.mu.Unlock()
	if q.closing != nil {
		<-q.closing
	}
	q.disk.Wait()
	return nil
}

// told lists kind, key and urgency of the messages' alarms, and forgets them.
func (q *messageQueue) told() (words []string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, m := range q.all {
		for _, a := range m.Alarms {
			s := string(m.Kind) + " " + a.Key
			if m.Urgent {
				s += "!"
			}
			words = append(words, s)
		}
	}
	q.all = nil
	return words
}

// newRunner starts a runner of a daemon without lines.
func newRunner(folder string, q *messageQueue) *alarmRunner {
	a := prepareRunner(folder, q)
	a.start()
	return a
}

func prepareRunner(folder string, q *messageQueue) *alarmRunner {
	c := &config.Config{Alarms: config.Alarms{Site: "Millrace Playhouse", Folder: folder, Repeat: 6 * time.Hour,
		PerHour: 12, Ways: []config.AlarmWay{{Name: "horn"}}}}
	c.Controllers = []config.Controller{{Name: "cabinet"}}
	d := &Daemon{log: zap.NewNop(), addresses: &addressWatch{}}
	d.reloads = &reloads{d: d}
	d.alarms = newAlarmRunner(d, c)
	d.alarms.open = func(*config.Config, *zap.Logger) alarmQueue { return q }
	return d.alarms
}

// lineOf returns a line that tells the runner.
func lineOf(a *alarmRunner) *Line {
	l, _ := newLine(&config.Line{Name: "stage-door", Location: "scene dock"}, relay.NoContact{}, nil, time.Now(),
		zap.NewNop())
	l.tell = a.post
	lines := []*Line{l}
	a.d.lines.Store(&lines)
	return l
}

func (l *Line) reportIncident(k supervision.ReportKind, why supervision.Incident) {
	l.record(callrecord.Entry{At: time.Now(), Line: l.name,
		Effect: supervision.Effect{Kind: supervision.Report, Report: k, Call: 7, Incident: why}})
}

// SAFETY.md S131. An emergency call that nobody answered is told at once, with the place; an abandoned one is gathered
// with others.
func TestAlarmOfAnEmergencyCall(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		l := lineOf(a)
		for _, why := range []supervision.Incident{supervision.IncidentEmergencyAbandoned,
			supervision.IncidentEmergencyFailed} {
			l.reportIncident(supervision.ReportIncident, why)
			l.reportIncident(supervision.ReportIncidentEnded, why)
		}
		synctest.Wait()
		require.Contains(t, q.all[0].Text, "scene dock")
		require.Equal(t, []string{"begun line/stage-door/emergency-failed!"}, q.told())
		time.Sleep(10 * time.Second)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/emergency-abandoned"}, q.told())
		a.close(nil, false)
	})
}

// SAFETY.md S131. A loop that is open or unknown is told at once, whatever the reason, and only once for its incident.
func TestAlarmOfALoop(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		l := lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		l.reportIncident(supervision.ReportIncident, supervision.IncidentUnreachable)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		l.setFault(time.Now(), supervision.IncidentNone)
		l.reportIncident(supervision.ReportIncidentEnded, supervision.IncidentUnreachable)
		synctest.Wait()
		l.setFault(time.Now(), supervision.IncidentLoopOpen)
		l.reportIncident(supervision.ReportIncident, supervision.IncidentLoopOpen)
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, "loop-open", q.all[0].Alarms[0].Reason)
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told(), "no longer unknown, but open")
		time.Sleep(time.Minute)
		l.setFault(time.Now(), supervision.IncidentNone)
		l.reportIncident(supervision.ReportIncidentEnded, supervision.IncidentLoopOpen)
		time.Sleep(2 * time.Minute) // it has come back once
		synctest.Wait()
		require.Equal(t, []string{"ended line/stage-door/loop!"}, q.told())
		a.notice(relay.Notice{Kind: relay.TimerFailed, Controller: "cabinet", Contact: "stage-door"})
		time.Sleep(time.Second)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/timer-failed!"}, q.told())
		a.notice(relay.Notice{Kind: relay.FoundOpen, Controller: "cabinet", Contact: "stage-door", Err: relay.ErrReadBack})
		time.Sleep(time.Second)
		synctest.Wait()
		require.Contains(t, q.all[0].Alarms[0].What, relay.ErrReadBack.Error())
		require.Equal(t, []string{"begun line/stage-door/found-open!"}, q.told())
		a.close(nil, false)
	})
}

func TestAlarmOfAController(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true,
			states: map[string]alarms.Status{"horn": {}, "mail": {Failure: "535", Since: time.Now()}}}
		a := newRunner(folder, q)
		lineOf(a)
		lost := relay.Notice{Kind: relay.LinkLost, Controller: "cabinet", Err: errors.New("no route\nto host")}
		a.notice(lost)
		time.Sleep(linkLostFor - time.Second)
		a.notice(relay.Notice{Kind: relay.LinkBack, Controller: "cabinet"})
		time.Sleep(5 * time.Minute)
		require.Empty(t, q.told(), "lost for less than a minute")
		a.notice(lost)
		time.Sleep(linkLostFor)
		synctest.Wait()
		require.NotContains(t, q.all[0].Alarms[0].What, "\n")
		require.Equal(t, []string{"begun controller/cabinet"}, q.told())
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Equal(t, []string{"begun way/mail"}, q.told())
		corrected, changed := *a.c, a.c.Controllers[0]
		changed.Driver = config.DriverNone
		corrected.Controllers = []config.Controller{changed}
		a.configure(&corrected) // the one that is lost stays until it can be replaced
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Empty(t, q.told())
		a.replaced(map[string]*config.Controller{"cabinet": &changed})
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		require.Equal(t, []string{"ended controller/cabinet"}, q.told())
		a.close(nil, false)
	})
}

// sent are the messages that a way accepted, or a way that never answers.
type sent struct {
	hangs bool
	mu    sync.Mutex
	keys  []string
}

func (w *sent) Send(ctx context.Context, m *alarm.Message) (string, error) {
	if w.hangs {
		<-ctx.Done()
		return "", ctx.Err()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, one := range m.Alarms {
		w.keys = append(w.keys, one.Key)
	}
	return "250", nil
}

// SAFETY.md S131 and S132, with the real queue and a way that hangs: the other way has an emergency call and a loop at
// once, and a hand-over waits at most alarmLeave.
func TestAlarmsWithAWayThatHangs(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		horn, mail := &sent{}, &sent{hangs: true}
		a := prepareRunner(folder, nil)
		a.open = func(*config.Config, *zap.Logger) alarmQueue {
			return &fileQueue{Queue: alarms.OpenQueue(alarms.QueueOptions{Dir: folder,
				Ways: map[string]alarms.Way{"horn": horn, "mail": mail}, Log: zap.NewNop()})}
		}
		a.start()
		l := lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		l.reportIncident(supervision.ReportIncident, supervision.IncidentEmergencyFailed)
		synctest.Wait()
		horn.mu.Lock()
		require.ElementsMatch(t, []string{"line/stage-door/emergency-failed", "line/stage-door/loop"}, horn.keys)
		horn.mu.Unlock()
		began := time.Now()
		a.close(nil, true)
		require.LessOrEqual(t, time.Since(began), alarmLeave)
		<-a.ended
		left, err := filepath.Glob(filepath.Join(folder, "*.json"))
		require.NoError(t, err)
		require.Len(t, left, 2, "they stay for the way that hangs")
	})
}

// SAFETY.md S132. No report waits for a way or a disk that hangs, what waits is bounded, and a hand-over waits at most
// alarmLeave.
func TestAlarmsNeverWait(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{closing: make(chan struct{})}
		a := newRunner(folder, q)
		l := lineOf(a)
		q.mu.Lock() // Put hangs
		for range 10_000 {
			l.reportIncident(supervision.ReportIncident, supervision.IncidentEmergencyFailed)
			l.reportIncident(supervision.ReportIncidentEnded, supervision.IncidentEmergencyFailed)
			l.setFault(time.Now(), supervision.IncidentLoopOpen)
			l.setFault(time.Now(), supervision.IncidentNone)
			a.notice(relay.Notice{Kind: relay.LinkLost, Controller: "cabinet"})
		}
		a.mu.Lock() // had a report waited for Put, the test would hang above
		require.LessOrEqual(t, len(a.waiting), 3)
		a.mu.Unlock()
		q.mu.Unlock()
		synctest.Wait()
		require.ElementsMatch(t, []string{"begun line/stage-door/emergency-failed!", "begun line/stage-door/loop!"},
			slices.Compact(slices.Sorted(slices.Values(q.told()))))
		began := time.Now()
		a.close(nil, true)
		require.LessOrEqual(t, time.Since(began), alarmLeave)
		close(q.closing)
		<-a.ended
	})
}

// SAFETY.md S133. What was told is saved only once the message is on the disk. Killed before that, the next process
// tells it again. Killed afterwards, it tells only the end.
func TestAlarmsOverARestart(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{}
		a := newRunner(folder, q)
		l := lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		id := q.all[0].ID
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.close(nil, false) // as if killed: the message was not on the disk
		time.Sleep(time.Second)

		q = &messageQueue{}
		a = newRunner(folder, q)
		l = lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		require.Equal(t, id, q.all[0].ID)
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		for _, durable := range q.durable {
			durable(nil)
		}
		synctest.Wait()
		a.close(nil, false)

		q = &messageQueue{onDisk: true}
		a = newRunner(folder, q)
		l = lineOf(a)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		time.Sleep(time.Hour)
		require.Empty(t, q.told(), "told before the restart")
		a.close(nil, false)

		q = &messageQueue{onDisk: true}
		a = newRunner(folder, q)
		lineOf(a)
		time.Sleep(time.Hour)
		require.Equal(t, []string{"ended line/stage-door/loop!"}, q.told())
		a.close(nil, false)
	})
}

// SAFETY.md S133. What was told is known even if the folder cannot be read at first: another process has it open for
// some seconds. What was reported meanwhile may be told twice. The end of the rest is told.
func TestAlarmsStateIsReadLate(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		lineOf(a).setFault(time.Now(), supervision.IncidentUnreachable)
		a.notice(relay.Notice{Kind: relay.LinkLost, Controller: "cabinet"})
		time.Sleep(2 * linkLostFor)
		require.Equal(t, []string{"begun line/stage-door/loop!", "begun controller/cabinet"}, q.told())
		a.close(nil, false)

		other := runtimestate.Open(folder+".state", "", zap.NewNop())
		a = newRunner(folder, q)
		lineOf(a).setFault(time.Now(), supervision.IncidentUnreachable)
		time.Sleep(alarmFirstRead)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told(), "told twice rather than late")
		time.Sleep(2 * time.Second)
		require.NoError(t, other.Close(time.Second))
		time.Sleep(time.Hour)
		require.Equal(t, []string{"ended controller/cabinet"}, q.told())
		a.close(nil, false)

		a = newRunner(folder, q)
		lineOf(a).setFault(time.Now(), supervision.IncidentUnreachable)
		time.Sleep(time.Minute)
		require.Empty(t, q.told(), "told before the restart")
		a.close(nil, false)
	})
}

// A reload keeps the queue. Without ways nothing is taken; with ways again, what stands is told.
func TestAlarmsReload(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		l := lineOf(a)
		synctest.Wait()
		first := *a.c
		second := first
		second.Alarms.PerHour = 1
		a.configure(&second)
		synctest.Wait()
		require.Equal(t, 1, q.asked)
		third := second
		third.Alarms.Ways = []config.AlarmWay{{Name: "hook"}}
		a.configure(&third)
		synctest.Wait()
		require.Equal(t, 2, q.asked)
		require.Zero(t, q.closed)
		none := third
		none.Alarms.Ways = nil
		a.configure(&none)
		synctest.Wait()
		require.Equal(t, 1, q.closed)
		require.Equal(t, 2, q.asked)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		time.Sleep(time.Minute)
		require.Empty(t, q.told())
		require.Empty(t, a.waiting)
		a.configure(&first)
		time.Sleep(alarmPoll)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		a.close(nil, false)
	})
}

// certificate writes a certificate that is valid until the given time.
func certificate(t *testing.T, path string, until time.Time) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: until.Add(-time.Hour), NotAfter: until}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, &key.PublicKey, key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
}

// Somebody who has replaced a certificate and reloads the file hears what is wrong with the new one.
func TestReloadChecksCertificates(t *testing.T) {
	folder, path := filepath.Join(t.TempDir(), "alarms"), filepath.Join(t.TempDir(), "ca.pem")
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true}
		a := newRunner(folder, q)
		lineOf(a)
		certificate(t, path, time.Now().Add(2*expiresSoon))
		c := *a.c
		c.Alarms.Ways = []config.AlarmWay{{Name: "horn", Mail: &config.Mail{Peer: config.Peer{CA: path}}}}
		a.configure(&c)
		time.Sleep(time.Minute)
		require.Empty(t, q.told())
		certificate(t, path, time.Now().Add(time.Hour))
		same := c
		a.configure(&same)
		time.Sleep(time.Minute)
		require.Equal(t, []string{"begun certificate" + path}, q.told())
		a.close(nil, false)
	})
}

// SAFETY.md S131, with everything real but the board, which does not exist: the user's program hears of the loop whose
// state is unknown.
func TestAlarmProgram(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t, daemontest.FreePort(t), daemontest.Answering(t, "200 OK"), "192.0.2.2:5060"))
	out := filepath.Join(t.TempDir(), "out")
	c.Alarms.Ways = []config.AlarmWay{{Name: "horn", Program: &config.AlarmProgram{Path: "/bin/sh",
		Arguments: []string{"-c", `cat >"$0.$CLEARBACK_ID.new" && mv "$0.$CLEARBACK_ID.new" "$0.$CLEARBACK_ID"`, out}}}}
	d, err := Start(c, Options{Logger: zap.NewNop(), closeFor: time.Millisecond})
	require.NoError(t, err)
	t.Cleanup(func() { d.Shutdown(context.Background()) })
	var m alarm.Message
	require.Eventually(t, func() bool {
		found, err := filepath.Glob(out + ".*")
		if err != nil || len(found) == 0 || strings.HasSuffix(found[0], ".new") {
			return false
		}
		data, err := os.ReadFile(found[0])
		return err == nil && json.Unmarshal(data, &m) == nil
	}, 20*time.Second, 10*time.Millisecond)
	require.True(t, m.Urgent)
	require.Equal(t, alarm.ClassLoop, m.Alarms[0].Class)
	require.Equal(t, "line/box-office/loop", m.Alarms[0].Key)
	require.Empty(t, d.Line("box-office").unregistered(time.Minute), "registered, and its adapter is at a fixed address")
}
