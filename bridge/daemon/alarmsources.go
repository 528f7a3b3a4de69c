package daemon

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/relay"
	"clearback/bridge/relay/drivers"
	"clearback/config"
	"clearback/config/file"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
	"clearback/supervision/sanitize"
)

// This file turns what the machine and the daemon report into alarms. It derives nothing from calls of its own. No
// alarm has a name or number of a party, whatever journal.numbers says.

// Our own numbers.
const (
	// linkLostFor and recordLostFor are how long a connection and the journal may be lost before that is told.
	linkLostFor   = time.Minute
	recordLostFor = time.Minute
	// wayLostFor is how long a way may fail before the other ways tell that.
	wayLostFor = 10 * time.Minute
	// certificatesEvery is how often the certificates are read, and expiresSoon how long before its end one is told.
	certificatesEvery = 12 * time.Hour
	expiresSoon       = 21 * 24 * time.Hour
	// mostOfError bounds a text from outside within a sentence.
	mostOfError = 300

	wayKey     = "way/" // begins the keys of alarms about ways
	lostAlarms = "way-lost-alarms"
)

// lineReport returns a report about the line.
func (l *Line) lineReport(state alarm.State, class alarm.Class, reason string, since time.Time) alarm.Report {
	return alarm.Report{State: state, Alarm: alarm.Alarm{Key: "line/" + l.name + "/" + reason, Class: class,
		Line: l.name, Reason: reason, Since: since}}
}

// tellIncident tells of an incident that begins or ends. l.mu is held.
func (l *Line) tellIncident(n *callrecord.Incident) {
	if l.tell == nil || n.Reason == l.fault {
		return // setFault has reported it
	}
	r := l.incidentReport(n)
	r.Times = 1
	switch {
	case n.Reason.OfCall() && n.Ended.IsZero():
		r.State = alarm.Event
	case n.Reason.OfCall():
		return
	case !n.Ended.IsZero():
		r.State, r.Times = alarm.Ended, 0
	}
	l.tell(r)
}

func (l *Line) incidentReport(n *callrecord.Incident) alarm.Report {
	class := alarm.ClassLine
	switch n.Reason {
	case supervision.IncidentEmergencyFailed:
		class = alarm.ClassEmergency
	case supervision.IncidentEmergencyAbandoned:
		class = alarm.ClassAbandoned
	}
	r := l.lineReport(alarm.Stands, class, n.Reason.String(), n.Began)
	l.describe(&r, n)
	if place := l.Config().Location; place != "" && n.Reason.OfCall() {
		r.Alarm.What += " The line's telephones are here: " + place + "."
	}
	return r
}

func (l *Line) describe(r *alarm.Report, n *callrecord.Incident) {
	r.Alarm.What = callrecord.Observation(n.Reason, n.Rule, n.Flash)
	r.Alarm.Do = strings.ReplaceAll(callrecord.Advice(n.Reason, n.Rule, n.Flash), "LINE", l.name)
}

// setFault tells that the loop is open or unknown, or that it is closed again. It runs on the line's goroutine.
func (l *Line) setFault(at time.Time, why supervision.Incident) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fault, l.faultedAt = why, at
	if l.tell == nil {
		return
	}
	r := l.faultReport()
	if why == supervision.IncidentNone {
		r.State = alarm.Ended
	} else {
		r.Times = 1
	}
	l.tell(r)
}

// faultReport has the same key for each reason, since the loop has one state. If it was unknown and is known to be
// open, that is told again. l.mu is held.
func (l *Line) faultReport() alarm.Report {
	r := l.lineReport(alarm.Stands, alarm.ClassLoop, "loop", l.faultedAt)
	r.Alarm.Reason = l.fault.String()
	if l.fault == supervision.IncidentLoopOpen {
		r.Grade = 1
	}
	l.describe(&r, &callrecord.Incident{Reason: l.fault})
	return r
}

// standing returns what stands on the line now, but for its registrations.
func (l *Line) standing() (all []alarm.Report) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fault != supervision.IncidentNone {
		all = append(all, l.faultReport())
	}
	for _, n := range l.incidents {
		if n.Reason != l.fault && !n.Reason.OfCall() {
			all = append(all, l.incidentReport(&n))
		}
	}
	if l.stayed {
		r := l.lineReport(alarm.Stands, alarm.ClassInterval, "interval", time.Now())
		r.Alarm.What = "A hold did not clear, so the line's clearings use a longer interval than the file has."
		r.Alarm.Do = "Run `clearback keep " + l.name + "` to make it permanent, or `clearback tune " + l.name +
			"` to find the line's interval."
		all = append(all, r)
	}
	return all
}

// unregistered returns what the line's user agent has lost. A registration counts as lost after the given time.
func (l *Line) unregistered(after time.Duration) (all []alarm.Report) {
	now := l.parts.Load()
	if now.port == nil {
		return nil
	}
	s := now.port.Status()
	add := func(lost bool, who, what string, why supervision.Evidence) {
		if !lost {
			return
		}
		r := l.lineReport(alarm.Stands, alarm.ClassRegistration, who, time.Now())
		refused := callrecord.Account{Line: l.name, Outcome: callrecord.OutcomeRefused, Evidence: why}
		r.After, r.Alarm.What, r.Alarm.Do = after, what, refused.Advice()
		all = append(all, r)
	}
	add(now.c.Adapter.Contact == "" && !s.Bound, "adapter",
		"No adapter is registered for the line, so it can neither make nor receive calls.", supervision.EvidenceNotHere)
	add(now.c.Service.Register && !s.Service.Registered, "service",
		"The line is not registered with its service, so no call reaches it from there.", supervision.EvidenceServiceLost)
	second := now.c.Service.Second
	add(second != nil && second.Register && !s.Second.Registered, "second-service",
		"The line is not registered with its second service, which takes over if the first one is lost.",
		supervision.EvidenceServiceLost)
	return all
}

// notice takes a controller's notice. What concerns a line's loop comes from its machine.
func (a *alarmRunner) notice(n relay.Notice) {
	r := alarm.Report{After: linkLostFor, Times: 1, Alarm: alarm.Alarm{Key: "controller/" + n.Controller,
		Class: alarm.ClassController, Reason: "link-lost", Since: n.Since}}
	a.mu.Lock()
	defer a.mu.Unlock()
	switch n.Kind {
	case relay.LinkLost:
		r.Alarm.What = "The controller cannot be reached, or gives answers that make no sense: " + brief(n.Err) + "."
		r.Alarm.Do = "Check its power and its network; until it answers, no hold on its lines is cleared."
		a.lost[n.Controller] = r
	case relay.LinkBack:
		r.State = alarm.Ended
		delete(a.lost, n.Controller)
	case relay.TimerFailed:
		r.State, r.After = alarm.Event, 0
		r.Alarm = alarm.Alarm{Key: "line/" + n.Contact + "/timer-failed", Class: alarm.ClassLoop, Line: n.Contact,
			Reason: "timer-failed", Since: time.Now(),
			What: "The controller's own timer did not end an opening in time. The daemon closes the contact by command.",
			Do:   "Check the contact with `clearback check --live`, and the board's timer: if the daemon fails, nothing else closes this loop."}
	case relay.FoundOpen:
		r.State, r.After = alarm.Event, 0
		r.Alarm = alarm.Alarm{Key: "line/" + n.Contact + "/found-open", Class: alarm.ClassLoop, Line: n.Contact,
			Reason: "found-open", Since: time.Now(),
			What: "The loop was found open although the daemon had not opened it: " + brief(n.Err) + ". The daemon closes it.",
			Do: "Find out what opened it: the board's power, somebody at the board, or another program that uses it. " +
				"`clearback lines` says whether it is closed now."}
	default:
		return
	}
	if len(a.c.Alarms.Ways) > 0 {
		a.postLocked(r)
	}
}

func brief(err error) string {
	if err == nil {
		return "no reason is known"
	}
	return sanitize.Text(err.Error(), mostOfError)
}

// notClosed reports a contact that is not known to be closed. It has the key of the line's loop, so what was told
// already is not told again.
func notClosed(n drivers.NotClosed, what, do string) alarm.Report {
	return alarm.Report{Alarm: alarm.Alarm{Key: "line/" + n.Line + "/loop", Class: alarm.ClassLoop, Line: n.Line,
		Reason: "not-closed", Since: time.Now(), What: what + ", and the contact is not known to be closed: " +
			brief(n.Err) + ".", Do: do}}
}

// notClosedAtEnd reports a contact that the daemon leaves behind.
func notClosedAtEnd(n drivers.NotClosed) alarm.Report {
	return notClosed(n, "The daemon has ended", "Run `clearback close`; if that fails, go and look at the relay board.")
}

// notClosedNow reports the contacts that a reload could not close or open.
func (d *Daemon) notClosedNow() (all []alarm.Report) {
	for _, n := range d.unopened() {
		all = append(all, notClosed(n, "The line's controller "+n.Controller+" could not be started",
			"Go and look at the relay board, then correct the controller in the file and reload it."))
	}
	for _, n := range d.reloads.leftNow() {
		all = append(all, leftBehind(n))
	}
	return all
}

// leftBehind returns an alarm about a contact that a reload left behind: no line has it, and no later daemon looks at
// it.
func leftBehind(n drivers.NotClosed) alarm.Report {
	r := notClosed(n, "A reload ended the line's controller "+n.Controller,
		"Go and look at the relay board, then restart the daemon.")
	r.Forgotten = true
	return r
}

// look compares what stands with what the notifier knows. It finds what does not report its changes, and ends what
// belonged to a line that is gone or was made anew.
func (s *serving) look() {
	now, present := s.now(), map[string]bool{}
	all := s.standing()
	for _, r := range all {
		present[r.Alarm.Key] = true
	}
	for _, r := range all {
		if other := sameTrouble(r.Alarm.Key); present[other] && !s.n.Told(r.Alarm.Key) {
			delete(present, r.Alarm.Key)
			continue
		}
		s.dirty = s.n.Take(now, r) || s.dirty
	}
	for name, n := range s.queue.Gone() {
		s.dirty = s.n.Take(now, removedWay(name, n)) || s.dirty
	}
	var gone []alarm.Alarm
	s.n.Standing(func(one alarm.Alarm) {
		if !present[one.Key] {
			gone = append(gone, one)
		}
	})
	for _, one := range gone {
		s.dirty = s.n.Take(now, alarm.Report{State: alarm.Ended, Alarm: one}) || s.dirty
	}
}

// sameTrouble returns the key of the incident that tells the same and says more; "" if there is none.
func sameTrouble(key string) string {
	switch {
	case strings.HasSuffix(key, "/adapter"):
		return strings.TrimSuffix(key, "adapter") + supervision.IncidentAdapterRefused.String()
	case strings.HasSuffix(key, "/interval"):
		return strings.TrimSuffix(key, "interval") + supervision.IncidentIntervalShort.String()
	}
	return ""
}

// standing returns everything that stands now, each key once.
func (s *serving) standing() (all []alarm.Report) {
	for _, l := range s.d.all() {
		all = append(all, l.standing()...)
		all = append(all, l.unregistered(s.c.Alarms.RegistrationLost)...)
	}
	for _, r := range s.d.notClosedNow() {
		if !slices.ContainsFunc(all, func(other alarm.Report) bool { return other.Alarm.Key == r.Alarm.Key }) {
			all = append(all, r)
		}
	}
	s.mu.Lock()
	for name, r := range s.lost {
		if controllerNamed(s.c, name) != nil {
			r.Times = 0
			all = append(all, r)
		}
	}
	s.mu.Unlock()
	if s.d.journal != nil {
		if was := s.d.journal.Health(); was.Problem != "" {
			all = append(all, alarm.Report{After: recordLostFor, Alarm: alarm.Alarm{Key: "journal",
				Class: alarm.ClassRecord, Reason: "journal", Since: was.Since,
				What: "The journal cannot be written: " + sanitize.Text(was.Problem, mostOfError) + ".",
				Do:   "Make room on its disk, or repair it; calls are served, but not recorded."}})
		}
	}
	if missing := s.d.addresses.problems(); len(missing) > 0 {
		all = append(all, alarm.Report{After: linkLostFor, Alarm: alarm.Alarm{Key: "address", Class: alarm.ClassNetwork,
			Reason: "address-missing", Since: time.Now(),
			What: "The file names an address that is missing: " + strings.Join(missing, ". Also: ") + ".",
			Do:   "Check this machine's network, then `clearback lines`."}})
	}
	return append(append(all, s.ways()...), s.expiring...)
}

// wayReports tells of a way that does not accept alarms, if there is another one to tell it, and of what a way has
// lost.
func wayReports(states map[string]alarms.Status) (all []alarm.Report) {
	for name, state := range states {
		r := alarm.Report{After: wayLostFor, Alarm: alarm.Alarm{Key: wayKey + name, Class: alarm.ClassWay,
			Reason: "way-failing", Since: state.Since,
			Do: "Run `clearback alarm --test " + name + "`. If that works, run `clearback reload`, which sends again what " +
				"was refused."}}
		figures := fmt.Sprintf("%d wait, %d were refused, and %d were given up since the daemon opened it", state.Waiting,
			state.Refused, state.Dropped)
		switch {
		case state.Failure != "" && len(states) > 1:
			r.Alarm.What = "Alarms are not accepted on the way " + name + "; " + figures + ": " +
				sanitize.Text(state.Failure, mostOfError) + "."
		case state.Failure == "" && state.Dropped+state.Refused > 0:
			r.Alarm.Reason, r.Alarm.Since = lostAlarms, time.Now()
			r.Alarm.What = "The way " + name + " accepts alarms, but not all were accepted: " + figures + "."
			r.Alarm.Do += " The log names the messages. When the daemon restarts, it counts anew."
		default:
			continue
		}
		all = append(all, r)
	}
	return all
}

// checkCertificates reads the certificates beside everything else, since a disk may not respond. One check is under way
// at a time: the last one that was wanted meanwhile follows it.
func (a *alarmRunner) checkCertificates(c *config.Config) {
	if a.checking {
		a.checkNext = c
		return
	}
	a.checking = true
	go func() {
		found := expiringCertificates(c.CertificateFiles(), time.Now(), a.log)
		select {
		case a.certificates <- found:
		case <-a.quit:
		}
	}()
}

// certificatesChecked begins the check that was wanted while the last one was under way.
func (a *alarmRunner) certificatesChecked() {
	a.checking = false
	if c := a.checkNext; c != nil {
		a.checkNext = nil
		a.checkCertificates(c)
	}
}

func expiringCertificates(paths []string, now time.Time, log *zap.Logger) (all []alarm.Report) {
	for _, path := range paths {
		end, err := expiry(path)
		if err != nil {
			log.Warn("a certificate cannot be checked", zap.Error(err))
		} else if end.IsZero() || end.Sub(now) >= expiresSoon {
			continue
		}
		r := alarm.Report{Alarm: alarm.Alarm{Key: "certificate/" + strings.TrimPrefix(path, "/"),
			Class: alarm.ClassCertificate, Reason: "certificate", Since: now,
			What: fmt.Sprintf("A certificate in %s is valid until %s only.", path, end.Format("2006-01-02 15:04 MST")),
			Do:   "Replace it before that time, and reload the file (clearback reload)."}}
		if err != nil {
			r.Alarm.Reason = "certificate-unreadable"
			r.Alarm.What = "A certificate cannot be read, so its end is not known: " + brief(err) + "."
			r.Alarm.Do = "Mend the file, and reload (clearback reload)."
		}
		all = append(all, r)
	}
	return all
}

// expiry returns when the first certificate of a PEM file ends; zero: it has none.
func expiry(path string) (first time.Time, err error) {
	data, err := file.Read(path)
	if err != nil {
		return first, err
	}
	for block, rest := pem.Decode(data); block != nil; block, rest = pem.Decode(rest) {
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return first, fmt.Errorf("%s: %w", path, err)
		}
		if first.IsZero() || c.NotAfter.Before(first) {
			first = c.NotAfter
		}
	}
	return first, nil
}
