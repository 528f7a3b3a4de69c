package cli

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/control"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/sanitize"
)

// controlTimeout is the time limit of one request to the running daemon. A manual interruption with its check takes
// seconds.
const controlTimeout = 20 * time.Second

// maxCell is the longest text of a peer in a table cell, in characters.
const maxCell = 80

// client returns a client of the running daemon. path is the configuration file, for the error.
func (e *env) client(c *config.Config, path string) (k *control.Client, code int, ok bool) {
	return e.clientAt(c.Control.Socket, path)
}

// clientAt returns a client of the daemon at the socket that the file at path names.
func (e *env) clientAt(socket, path string) (k *control.Client, code int, ok bool) {
	if socket == "" {
		return nil, e.failed(fmt.Errorf("%s allows no control socket, so the running daemon cannot be asked; set control.socket to a path and restart the daemon",
			path)), false
	}
	return control.NewClient(socket), ExitOK, true
}

// lineClient reads the configuration and looks up the line that a command names. It returns the client of the daemon
// that serves the line.
func (e *env) lineClient(path string, others []string, command string) (c *config.Config, l *config.Line,
	k *control.Client, code int, ok bool) {
	if c, code, ok = e.settings(path); !ok {
		return
	}
	if l, code, ok = e.lineNamed(c, first(others), command); !ok {
		return
	}
	k, code, ok = e.client(c, path)
	return
}

func lines(f *pflag.FlagSet) action {
	path := configFlag(f)
	asJSON := f.Bool("json", false, "print the daemon's answer as JSON")
	wide := wideFlag(f)
	return func(e *env, _ []string) int {
		k, code, ok := e.clientInSpite(*path)
		if !ok {
			return code
		}
		ctx, cancel := e.within(controlTimeout)
		defer cancel()
		d, err := k.Daemon(ctx)
		switch {
		case err != nil:
			return e.unanswered(*path, err)
		case *asJSON:
			return e.asJSON(d)
		}
		printDaemon(e.table(*wide), d, time.Now())
		return ExitOK
	}
}

func printDaemon(w io.Writer, d control.Daemon, now time.Time) {
	rows := [][]string{{"LINE", "SERVICE", "SERVICE TIMES", "ADAPTER", "REGISTERED", "LAST HEARD", "CALLS", "LOOP",
		"CONTACT", "INTERVAL", "VERIFY", "LAST CLEARING"}}
	for i := range d.Lines {
		l := &d.Lines[i]
		times := func(s control.Service) string { return serviceTimes(s, now) }
		rows = append(rows, []string{l.Name, servicesWords(l, serviceWords), servicesWords(l, times),
			adapterWords(l.Adapter), clockTime(l.Adapter.Since, now), clockTime(l.Adapter.Heard, now), callWords(l),
			loopWords(l), contactWords(l.Contact, now), intervalWords(l.Interval), verifyWords(l.Verify),
			clearingWords(l.LastClearing, now)})
	}
	// These columns change only by hand or when there is trouble.
	t := table{w: w, spare: []string{"SERVICE TIMES", "REGISTERED", "LAST HEARD", "INTERVAL", "VERIFY", "CONTACT"}}
	_ = t.write(rows) // a failed write is ignored, as in all this output
	for i := range d.Lines {
		l := &d.Lines[i]
		if n := l.Incident; n != nil {
			reason := n.Reason
			if n.Rule != "" {
				reason += " (" + n.Rule + ")"
			}
			if !n.Since.IsZero() {
				reason += " for " + elapsed(n.Age, n.Since, now)
			}
			fmt.Fprintf(w, "%s: INCIDENT %s. %s\n", l.Name, reason, n.Advice)
		}
		if r := l.Adapter.Refused; r != nil {
			fmt.Fprintf(w, "%s: its adapter was %s\n", l.Name, refusalWords(r, now))
		}
		for _, c := range l.Calls {
			if c.Media != nil && c.State == "answered" {
				fmt.Fprintf(w, "%s: call %d: %s\n", l.Name, c.Call, c.Media.Brief())
			}
		}
		if s := secondServerWords(l.Name, l.SecondServer); s != "" {
			fmt.Fprintf(w, "%s: %s\n", l.Name, s)
		}
		if l.Location != "" {
			fmt.Fprintf(w, "%s: location: %s\n", l.Name, l.Location)
		}
		if l.Interval.Stayed > 0 {
			fmt.Fprintf(w, "%s: %d of its holds did not clear, the first at %d ms; clearings use %d ms now. `clearback keep %s` writes that into the file.\n",
				l.Name, l.Interval.Stayed, l.Interval.Configured, l.Interval.Milliseconds, l.Name)
		}
		if l.CallbackUntil != nil {
			fmt.Fprintf(w, "%s: after an emergency call; a call back is expected until %s\n", l.Name,
				l.CallbackUntil.Local().Format(time.TimeOnly))
		}
		if l.NoOpeningUntil != nil {
			fmt.Fprintf(w, "%s: too many openings; no clearing opens its loop until %s, or longer if the clearings continue\n",
				l.Name, l.NoOpeningUntil.Local().Format(time.TimeOnly))
		}
	}
	for _, problem := range d.Problems {
		fmt.Fprintf(w, "PROBLEM: %s\n", problem)
	}
	printWaiting(w, d.Waiting)
	if d.Edited != "" {
		fmt.Fprintln(w, d.Edited)
	}
	if d.Refused != nil {
		fmt.Fprintf(w, "an adapter of no known line was %s\n", refusalWords(d.Refused, now))
	}
	printRejected(w, d.Counts)
	if d.Journal.Problem != "" {
		fmt.Fprintf(w, "journal: %s since %s; %d records lost\n", d.Journal.Problem,
			d.Journal.Since.Local().Format(time.TimeOnly), d.Journal.Dropped)
	}
	if d.Journal.Path == "" {
		fmt.Fprintln(w, "journal: none; nothing is recorded (journal.file)")
	}
}

// printWaiting prints a line for each change of a reload that waits.
func printWaiting(w io.Writer, all []control.Waiting) {
	for _, one := range all {
		what := map[string]string{"added": "waits to be added", "removed": "waits to be removed",
			"controller": "its controller waits to be replaced",
			"contact":    "the contact that it had is not known closed"}[one.Change]
		fmt.Fprintf(w, "%s: %s: %s\n", cmp.Or(one.Line, "a controller"), cmp.Or(what, "the change waits"), one.Why)
	}
	if slices.ContainsFunc(all, func(w control.Waiting) bool { return w.Change != "added" && w.Change != "contact" }) {
		fmt.Fprintln(w, "until then do not kill the daemon: nothing else closes contacts that the file no longer has (SAFETY 126)")
	}
}

// servicesWords says something of each service of a line.
func servicesWords(l *control.Line, words func(control.Service) string) string {
	if l.Second == nil {
		return words(l.Service)
	}
	return words(l.Service) + "; second: " + words(*l.Second)
}

// serviceTimes says since when the line has been registered, or not been, and when the service was last heard.
func serviceTimes(s control.Service, now time.Time) string {
	since := "since "
	if s.Registered {
		since = "registered "
	}
	var all []string
	if !s.Since.IsZero() {
		all = append(all, since+clockTime(s.Since, now))
	}
	if !s.Heard.IsZero() {
		all = append(all, "last heard "+clockTime(s.Heard, now))
	}
	return cmp.Or(strings.Join(all, ", "), "-")
}

func serviceWords(s control.Service) string {
	switch {
	case !s.Registers:
		return "no registration"
	case s.Registered:
		return "registered"
	default:
		return "NOT registered: " + sanitize.Text(s.Problem, maxCell)
	}
}

func adapterWords(a control.Adapter) string {
	if !a.Bound {
		return "NOT registered"
	}
	return a.Address
}

// refusalWords says when an adapter was refused, from where and why.
func refusalWords(r *control.Refusal, now time.Time) string {
	return fmt.Sprintf("refused %s ago, from %s as user %q: %s", elapsed(r.Age, r.At, now), r.From,
		sanitize.Text(r.User, maxCell), r.Why)
}

// clockTime is the time of day, with the date if it is not today's, or "-" for the zero time.
func clockTime(at, now time.Time) string {
	if at.IsZero() {
		return "-"
	}
	at, now = at.Local(), now.Local()
	if at.YearDay() == now.YearDay() && at.Year() == now.Year() {
		return at.Format("15:04")
	}
	return at.Format("2006-01-02 15:04")
}

func callWords(l *control.Line) string {
	if len(l.Calls) == 0 {
		return "-"
	}
	all := make([]string, len(l.Calls))
	for i, c := range l.Calls {
		all[i] = fmt.Sprintf("%d %s", c.Call, c.State)
		if c.Number != "" {
			all[i] += " " + sanitize.Text(c.Number, maxCell)
		}
		if c.Emergency {
			all[i] += " EMERGENCY"
		}
	}
	return strings.Join(all, ", ")
}

func loopWords(l *control.Line) string {
	loop := l.Loop
	switch {
	case l.Fault == supervision.IncidentLoopOpen.String():
		loop = "OPEN"
	case l.Fault != "":
		loop = "UNKNOWN"
	}
	switch {
	case l.LifeSafety:
		return loop + " (life_safety)"
	case l.Tuning:
		return loop + " (tuning)"
	}
	return loop
}

func contactWords(c control.Contact, now time.Time) string {
	words := c.Driver
	if c.Controller != "" {
		words = c.Controller + ", kind " + c.Kind
	}
	if c.Problem != "" {
		words += ", " + strings.ToUpper(c.Problem)
		if !c.Since.IsZero() {
			words += " since " + clockTime(c.Since, now)
		}
	}
	return words
}

func intervalWords(i control.Interval) string {
	if i.Milliseconds != i.Configured {
		return fmt.Sprintf("%d ms (file: %d)", i.Milliseconds, i.Configured)
	}
	return fmt.Sprintf("%d ms", i.Milliseconds)
}

func verifyWords(v control.Verify) string {
	if v.By == "none" || v.Trusted {
		return v.By
	}
	return v.By + ", NOT trusted yet"
}

func clearingWords(c *control.Clearing, now time.Time) string {
	if c == nil {
		return "-"
	}
	return fmt.Sprintf("call %d, %s ago: %s", c.Call, elapsed(c.Age, c.At, now), c.Outcome)
}

// elapsed returns how long ago an event was. It uses the daemon's own count, ms, unless that is 0; then it compares the
// clock with since.
func elapsed(ms int64, since, now time.Time) string {
	d := time.Duration(ms) * time.Millisecond
	if ms == 0 {
		d = max(0, now.Sub(since))
	}
	return d.Round(time.Second).String()
}

func pulse(f *pflag.FlagSet) action {
	path := configFlag(f)
	interval := spanFlag(f, "interval", 0, "800ms", "open the loop for this `TIME`; default: the line's interval")
	interval.zero = true
	return func(e *env, others []string) int {
		_, l, k, code, ok := e.lineClient(*path, others, "pulse")
		if !ok {
			return code
		}
		ctx, cancel := e.within(controlTimeout)
		defer cancel()
		p, err := k.Pulse(ctx, l.Name, interval.Duration)
		if err != nil {
			return e.failed(err)
		}
		switch {
		case p.Refused != "":
			return e.failed(fmt.Errorf("%s: not opened: %s", l.Name, p.Refused))
		case p.Incident != "" && p.Measured == 0:
			return e.failed(fmt.Errorf("%s: the interruption was not made: %s%s; `clearback explain %s` says more",
				l.Name, p.Incident, deviceWords(p), l.Name))
		}
		fmt.Fprintf(e.Out, "%s: loop open for %s (asked %d ms); hook: %s\n", l.Name, measured(p.Measured), p.Asked,
			p.Hook)
		if p.Incident != "" {
			fmt.Fprintf(e.Out, "%s: incident: %s%s\n", l.Name, p.Incident, deviceWords(p))
			return ExitFailed
		}
		return ExitOK
	}
}

// deviceWords returns the device's error text in parentheses, or "" if there is none.
func deviceWords(p control.Pulse) string {
	if p.DeviceText == "" {
		return ""
	}
	return " (" + p.DeviceText + ")"
}

// measured writes microseconds as milliseconds. 0 means that the time was not measured.
func measured(us int64) string {
	if us == 0 {
		return "an unmeasured time"
	}
	return fmt.Sprintf("%.1f ms", float64(us)/1000)
}

// printRejected prints one line about the traffic that was rejected. It prints nothing if none was.
func printRejected(w io.Writer, counts []control.Count) {
	var all []string
	for _, c := range counts {
		if c.Rejected && c.Count > 0 {
			all = append(all, fmt.Sprintf("%d %s", c.Count, c.Name))
		}
	}
	if len(all) > 0 {
		fmt.Fprintf(w, "turned away since the start: %s\n", strings.Join(all, ", "))
	}
}
