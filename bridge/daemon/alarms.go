package daemon

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"os"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/relay/drivers"
	"clearback/bridge/runtimestate"
	"clearback/config"
	"clearback/supervision/alarm"
)

// Our own numbers.
const (
	// alarmPoll is how often the daemon looks at what does not report its changes, such as a registration.
	alarmPoll = 5 * time.Second
	// alarmEnd bounds the end of the alarms in a shutdown, and alarmLeave in a hand-over, in which callers wait. What
	// has not been sent then stays in the folder for the next process. A quarter of alarmEnd is for attempts.
	alarmEnd   = 10 * time.Second
	alarmLeave = 200 * time.Millisecond
)

// alarmQueue carries messages to people. Put does not wait; durable is called once the message is on the disk, or
// cannot be.
type alarmQueue interface {
	Put(m *alarm.Message, durable func(error)) error
	// Configure takes the ways of another file.
	Configure(c *config.Config)
	Status() map[string]alarms.Status
	// Gone returns how many messages were dropped because the file no longer has their way, and begins to count anew.
	Gone() map[string]int
	Close(timeout time.Duration) error
}

// alarmRunner gives the daemon's reports to package alarm, and its messages to the ways out. Reports come from any
// goroutine, also from a line's, and never wait: they are combined by key until the runner's own goroutine takes them.
// So there are at most as many as things that can be reported, and none is dropped.
type alarmRunner struct {
	// set once
	d      *Daemon
	log    *zap.Logger
	folder string
	// wake makes run look at everything that mu guards. One slot: a pending wake-up stands for all.
	wake  chan struct{}
	quit  chan struct{}
	ended chan struct{} // closed when run has returned
	open  func(*config.Config, *zap.Logger) alarmQueue
	// readWeek reads the figures of a week from the journal; nil: there is none.
	readWeek func(context.Context, *config.Config, *alarm.Week) error

	mu      sync.Mutex
	running bool
	end     time.Duration // how long the end may take
	c       *config.Config
	left    *alarm.Left // how the daemon is ending; nil: it is not
	waiting map[string]*waitingReport
	lost    map[string]alarm.Report // controllers without a connection, by name
	unsaved int                     // messages that may not be on the disk yet
	carries alarmQueue              // the queue of serve; nil: there is none
	// classes counts the alarms that stand. run replaces it and never changes it.
	classes map[alarm.Class]int

	certificates chan []alarm.Report // one slot: the result of the check that is under way
	expiring     []alarm.Report      // owned by run
	checking     bool                // owned by run: a check is under way
	checkNext    *config.Config      // owned by run: another check is wanted then; nil: none
}

// waitingReport combines the reports of one key.
type waitingReport struct {
	alarm.Report
	begun bool
}

func newAlarmRunner(d *Daemon, c *config.Config) *alarmRunner {
	a := &alarmRunner{d: d, log: d.log, folder: c.Alarms.Folder, c: c, end: alarmEnd,
		wake: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{}),
		waiting: map[string]*waitingReport{}, lost: map[string]alarm.Report{},
		certificates: make(chan []alarm.Report, 1), open: openAlarmQueue}
	if c.Journal.File != "" {
		a.readWeek = readWeekOf(c.Journal.File)
	}
	return a
}

// start starts the goroutine. Reports may come earlier.
func (a *alarmRunner) start() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.running = true
	go a.run()
}

// post takes a report. It never waits.
func (a *alarmRunner) post(r alarm.Report) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.c.Alarms.Ways) > 0 {
		a.postLocked(r)
	}
}

func (a *alarmRunner) postLocked(r alarm.Report) {
	key := r.Alarm.Key
	w := a.waiting[key]
	switch {
	case w == nil:
		a.waiting[key] = &waitingReport{r, r.State != alarm.Ended}
	case r.State == alarm.Ended:
		w.State = alarm.Ended
	default:
		if w.begun {
			r.Alarm.Since, r.Times = w.Alarm.Since, w.Times+r.Times
		}
		a.waiting[key] = &waitingReport{r, true}
	}
	a.signal()
}

func (a *alarmRunner) signal() {
	select {
	case a.wake <- struct{}{}:
	default: // a wake-up is pending
	}
}

// take returns the reports that wait, and the configuration.
func (a *alarmRunner) take() (map[string]*waitingReport, *config.Config) {
	a.mu.Lock()
	defer a.mu.Unlock()
	all := a.waiting
	a.waiting = map[string]*waitingReport{}
	return all, a.c
}

// configure takes another configuration.
func (a *alarmRunner) configure(c *config.Config) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.c = c
	a.signal()
}

// replaced forgets which of the controllers were lost: those have ended, and those that take their places report anew.
func (a *alarmRunner) replaced(controllers map[string]*config.Controller) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for name := range controllers {
		delete(a.lost, name)
	}
}

func controllerNamed(c *config.Config, name string) *config.Controller {
	for i := range c.Controllers {
		if c.Controllers[i].Name == name {
			return &c.Controllers[i]
		}
	}
	return nil
}

// close tells which contacts are not known to be closed, also if the daemon could not start. It saves what was told and
// closes the queue. leave means that another process is about to start. That process closes the contacts first, and
// reports those that it cannot close. It does not know the contacts that a reload left behind, so close reports those.
func (a *alarmRunner) close(notClosed []drivers.NotClosed, leave bool) {
	left := a.d.reloads.leftNow()
	if leave {
		notClosed = left
	}
	for _, n := range notClosed {
		r := notClosedAtEnd(n)
		same := func(l drivers.NotClosed) bool { return l.Line == n.Line && l.Controller == n.Controller }
		if slices.ContainsFunc(left, same) {
			r = leftBehind(n)
		}
		r.Times = 1
		a.post(r)
	}
	a.mu.Lock()
	if len(notClosed) > 0 && !a.running {
		a.running = true
		go a.run()
	}
	running := a.running
	if leave {
		a.end = alarmLeave
	}
	limit := a.end
	a.mu.Unlock()
	if !running {
		return
	}
	close(a.quit)
	select {
	case <-a.ended:
	case <-time.After(limit):
		a.log.Warn("the alarms could not be closed in time; what is on the disk is sent after the next start")
	}
}

// ends leaves word, for whoever watches the daemon, that it ends on purpose. It does not wait.
func (a *alarmRunner) ends(restart bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.running {
		a.left = &alarm.Left{At: time.Now(), Restart: restart}
		a.signal()
	}
}

// run serves the ways, if the file has any.
func (a *alarmRunner) run() {
	defer close(a.ended)
	for {
		a.mu.Lock()
		c := a.c
		a.mu.Unlock()
		if len(c.Alarms.Ways) > 0 {
			if a.serve(c) {
				return
			}
			continue
		}
		select {
		case <-a.quit:
			return
		case <-a.wake:
		}
	}
}

// serving is what the goroutine has while there are ways.
type serving struct {
	*alarmRunner
	c     *config.Config
	began time.Time
	queue alarmQueue
	n     *alarm.Notifier
	dirty bool        // the state has to be saved
	left  *alarm.Left // what was saved of it

	losses map[string]*wayLoss // by the way's name; only look uses it

	weeks         chan weekRead // one slot: the week that is being read
	readingWeek   bool
	reading       context.Context // of that; stopReading ends it
	cancelReading context.CancelFunc
	weekAgain     time.Duration // Mono before which the journal is not read again

	state      *runtimestate.Store      // nil until the folder has been read
	opened     chan *runtimestate.Store // brings state
	stopOpener context.CancelFunc
}

// serve runs until the daemon ends (true), or the file has no ways any more.
func (a *alarmRunner) serve(c *config.Config) (ended bool) {
	s := &serving{alarmRunner: a, c: c, began: time.Now(), opened: make(chan *runtimestate.Store),
		losses: map[string]*wayLoss{}, weeks: make(chan weekRead, 1)}
	s.reading, s.cancelReading = context.WithCancel(context.Background())
	defer s.stopReading()
	s.n = alarm.New(alarmSettings(c))
	s.openState()
	s.queue = a.open(c, a.log)
	s.show(s.queue, nil)
	poll := time.NewTicker(alarmPoll)
	defer poll.Stop()
	check := time.NewTicker(certificatesEvery)
	defer check.Stop()
	timer := time.NewTimer(0)
	defer timer.Stop()
	a.checkCertificates(c)
	for {
		select {
		case <-a.quit:
			s.n.Hurry()
			s.step()
			s.mu.Lock()
			limit := s.end
			s.mu.Unlock()
			s.close(limit / 2)
			return true
		case <-a.wake:
		case <-timer.C:
		case <-poll.C:
			s.look()
		case <-check.C:
			a.checkCertificates(s.c)
		case a.expiring = <-a.certificates:
			a.certificatesChecked()
			s.look()
		case store := <-s.opened:
			s.load(store)
		case r := <-s.weeks:
			s.weekIsRead(r)
		}
		timer.Reset(s.step())
		if len(s.c.Alarms.Ways) == 0 {
			s.close(alarmEnd / 2)
			s.show(nil, nil)
			return false
		}
	}
}

func (s *serving) now() alarm.Time {
	now := time.Now()
	return alarm.Time{Mono: now.Sub(s.began), Wall: now.Round(0)}
}

func alarmSettings(c *config.Config) alarm.Settings {
	k := &c.Alarms
	set := alarm.Settings{Site: siteName(c), Repeat: k.Repeat, PerHour: k.PerHour,
		Quiet: alarm.Quiet{From: k.QuietFrom, To: k.QuietTo}}
	if w := k.Summary; w != nil {
		set.Summary = alarm.Weekly{On: true, Day: w.Day, Minute: w.Minute}
	}
	return set
}

// siteName returns the name of the place in each message.
func siteName(c *config.Config) string {
	if c.Alarms.Site != "" {
		return c.Alarms.Site
	}
	if host, err := os.Hostname(); err == nil {
		return host
	}
	return "clearback"
}

// step takes what waits, sends what is due, and returns how long to wait for the next.
func (s *serving) step() time.Duration {
	reports, c := s.take()
	s.reconfigure(c)
	s.saveLeft()
	now := s.now()
	for _, r := range reports {
		if state := r.State; r.begun {
			if state == alarm.Ended {
				r.State = alarm.Stands
			}
			s.dirty = s.n.Take(now, r.Report) || s.dirty
			r.State = state
		}
		if r.State == alarm.Ended {
			s.dirty = s.n.Take(now, r.Report) || s.dirty
		}
	}
	s.save(false) // before it is told, so that another process tells it with the same ID
	messages, next := s.n.Step(now)
	for i := range messages {
		s.put(&messages[i])
	}
	s.summarize(now)
	s.save(len(messages) > 0)
	s.show(s.queue, s.countClasses())
	if next == alarm.Never {
		return time.Hour
	}
	return max(next-s.now().Mono, 0)
}

// countClasses counts the alarms that stand, by class. A class whose last alarm has ended stays in the result, with 0.
func (s *serving) countClasses() map[alarm.Class]int {
	counts := map[alarm.Class]int{}
	for class := range s.classes { // only this goroutine replaces it
		counts[class] = 0
	}
	s.n.Standing(func(one alarm.Alarm) { counts[one.Class]++ })
	return counts
}

// show sets what figures returns.
func (a *alarmRunner) show(queue alarmQueue, classes map[alarm.Class]int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.carries, a.classes = queue, classes
}

// figures returns how many alarms of each class stand, and the state of each way; nil if the file has no ways.
func (a *alarmRunner) figures() (map[alarm.Class]int, map[string]alarms.Status) {
	a.mu.Lock()
	queue, classes := a.carries, a.classes
	a.mu.Unlock()
	if queue == nil {
		return nil, nil
	}
	return classes, queue.Status()
}

// put gives a message to the queue. What was told is saved only when all messages are on the disk: after a kill in
// between, an alarm may be told twice, and none is lost.
func (s *serving) put(m *alarm.Message) {
	s.mu.Lock()
	s.unsaved++
	s.mu.Unlock()
	durable := func(err error) {
		if err != nil {
			s.log.Warn("an alarm is not on the disk yet; a restart before it is sent may lose it", zap.String("id", m.ID),
				zap.Error(err))
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.unsaved--
		s.signal()
	}
	if err := s.queue.Put(m, durable); err != nil {
		durable(err)
	}
}

// reconfigure takes the settings of c. Somebody who has corrected a way, or replaced a certificate, reloads the file.
func (s *serving) reconfigure(c *config.Config) {
	if c == s.c {
		return
	}
	s.c = c
	s.n.Set(alarmSettings(c))
	if len(c.Alarms.Ways) > 0 {
		s.queue.Configure(c)
		s.checkCertificates(c)
	}
}

// randomID returns a text that no other process has.
func randomID() string {
	var random [8]byte
	_, _ = rand.Read(random[:]) // it never fails (package crypto/rand)
	return hex.EncodeToString(random[:])
}
