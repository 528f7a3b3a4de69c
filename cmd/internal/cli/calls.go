package cli

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/callrecord"
	"github.com/spf13/pflag"
)

const (
	// readTimeout is the time limit of one journal query.
	readTimeout = 30 * time.Second
	// followEvery is how often calls --follow reads the journal. The daemon writes every 100 ms.
	followEvery = 200 * time.Millisecond
	// adoptedWithin is how long calls --follow waits before it shows a call as broken off. A daemon that is restarted
	// leaves its calls to the next one, which continues their records. Our own number: a restart takes a second or two.
	adoptedWithin = 5 * time.Second
	// callsShown is how many calls are shown without --limit.
	callsShown = 50
)

// journalSource names the journal that calls and explain read: the configured one, or the one given with --journal.
type journalSource struct {
	config, journal *string
}

func sourceFlags(f *pflag.FlagSet) journalSource {
	return journalSource{configFlag(f), f.String("journal", "",
		"read this journal `FILE` instead of reading the configuration")}
}

// open opens the journal. With --journal, c is an empty configuration without lines.
func (s journalSource) open(e *env) (c *config.Config, r *journal.Reader, code int, ok bool) {
	c, file := &config.Config{}, *s.journal
	if file == "" {
		if c, code, ok = e.settings(*s.config); !ok {
			return nil, nil, code, false
		}
		if file = c.Journal.File; file == "" {
			return nil, nil, e.failed(fmt.Errorf("%s has no journal (journal.file: none); remove that key to record calls from the daemon's next start on",
				*s.config)), false
		}
	}
	r, err := journal.OpenReader(file)
	if err != nil {
		return nil, nil, e.failed(err), false
	}
	return c, r, ExitOK, true
}

func calls(f *pflag.FlagSet) action {
	from := sourceFlags(f)
	since := spanFlag(f, "since", 0, "90m, 36h or 2d", "only calls that began in the last `TIME`, such as 2d")
	filter := journal.Filter{}
	f.BoolVar(&filter.Failed, "failed", false,
		"only calls that were refused here, or whose hold did not clear or may not have cleared")
	f.IntVar(&filter.Limit, "limit", callsShown, "only the latest `N` calls; 0: all")
	asJSON := f.Bool("json", false, "print one JSON object per line")
	asCSV := f.Bool("csv", false, "print comma-separated values with a header")
	follow := f.Bool("follow", false, "keep running, and show each call when it changes")
	wide := wideFlag(f)
	return func(e *env, others []string) int {
		switch {
		case *asJSON && *asCSV:
			return e.fault("calls: --json and --csv exclude each other")
		case filter.Limit < 0:
			return e.fault("calls: --limit %d; allowed is 0 or more", filter.Limit)
		}
		c, r, code, ok := from.open(e)
		if !ok {
			return code
		}
		defer r.Close()
		ctx, cancel := e.context()
		defer cancel()
		if filter.Line = first(others); filter.Line != "" {
			if code, ok := e.recordedLine(ctx, c, r, "calls", filter.Line); !ok {
				return code
			}
		}
		if since.Duration > 0 {
			filter.Since = time.Now().Add(-since.Duration)
		}
		p := newPrinter(e.table(*wide), *asJSON, *asCSV)
		if err := listCalls(ctx, r, filter, p, *follow); err != nil {
			return e.failed(err)
		}
		if err := e.reportLosses(ctx, r, filter.Since); err != nil {
			return e.failed(err)
		}
		if filter.Failed && !*asJSON && !*asCSV && ctx.Err() == nil {
			if err := e.listIncidents(ctx, r, filter); err != nil {
				return e.failed(err)
			}
		}
		return ExitOK
	}
}

// reportLosses prints the gaps of the record to the error stream, so that nobody takes a missing call for one that did
// not happen.
func (e *env) reportLosses(ctx context.Context, r *journal.Reader, since time.Time) error {
	if ctx.Err() != nil {
		return nil
	}
	all, err := r.Losses(ctx, since)
	for _, l := range all {
		fmt.Fprintf(e.Err, "clearback: the record has a gap: %d records were lost from %s to %s, when the disk could not be written\n",
			l.Records, l.Began.Local().Format(time.DateTime), l.Ended.Local().Format(time.DateTime))
	}
	return err
}

// listIncidents prints the incidents that do not belong to a listed call.
func (e *env) listIncidents(ctx context.Context, r *journal.Reader, filter journal.Filter) error {
	ctx, cancel := context.WithTimeout(ctx, readTimeout)
	defer cancel()
	all, err := r.Incidents(ctx, filter.Line, false, filter.Since)
	if err != nil {
		return err
	}
	all = slices.DeleteFunc(all, func(i callrecord.Incident) bool { return i.Call != 0 })
	if filter.Limit > 0 && len(all) > filter.Limit {
		all = all[len(all)-filter.Limit:]
	}
	for _, i := range all {
		i.Began = i.Began.Local()
		if !i.Ended.IsZero() {
			i.Ended = i.Ended.Local()
		}
		fmt.Fprint(e.Out, "\n", callrecord.ExplainIncident(i, width(e.Out)))
	}
	return nil
}

// listCalls prints the calls. With follow it keeps printing changes until ctx ends.
func listCalls(ctx context.Context, r *journal.Reader, filter journal.Filter, p printer, follow bool) error {
	tick := time.NewTicker(followEvery)
	defer tick.Stop()
	broken := brokenOff{}
	for first := true; ; first = false {
		limit, cancel := context.WithTimeout(ctx, readTimeout)
		rows, err := r.Calls(limit, filter)
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
		for _, row := range rows {
			filter.After = max(filter.After, row.Changed)
		}
		if !first {
			if rows, err = broken.filter(ctx, r, rows, time.Now()); err != nil {
				return err
			}
		}
		if err := p.print(rows); err != nil || !follow {
			return err
		}
		filter.Limit = 0
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// brokenOff has the calls that were broken off while calls --follow ran, and that are not shown yet. The value is the
// time at which they are.
type brokenOff map[supervision.CallID]time.Time

// filter returns the rows without the calls that have just been broken off, and with those that nobody has continued
// for adoptedWithin.
func (b brokenOff) filter(ctx context.Context, r *journal.Reader, rows []journal.Row, now time.Time) ([]journal.Row,
	error) {
	rows = slices.DeleteFunc(rows, func(row journal.Row) bool {
		delete(b, row.Call)
		if row.Outcome == callrecord.OutcomeBrokenOff {
			b[row.Call] = now.Add(adoptedWithin)
		}
		return row.Outcome == callrecord.OutcomeBrokenOff
	})
	for _, call := range slices.Sorted(maps.Keys(b)) {
		if now.Before(b[call]) {
			continue
		}
		delete(b, call)
		limit, cancel := context.WithTimeout(ctx, readTimeout)
		row, _, err := r.Call(limit, uint64(call))
		cancel()
		switch {
		case ctx.Err() != nil:
			return nil, nil
		case errors.Is(err, journal.ErrUnknown): // deleted meanwhile
		case err != nil:
			return nil, err
		case row.Outcome == callrecord.OutcomeBrokenOff: // with --failed, rows has no call that was continued
			rows = append(rows, row)
		}
	}
	return rows, nil
}

// recordedLine reports whether the configuration or the journal knows the line. A line that was removed from the
// configuration may still have records.
func (e *env) recordedLine(ctx context.Context, c *config.Config, r *journal.Reader, command, name string) (code int,
	ok bool) {
	if lineOf(c, name) != nil {
		return ExitOK, true
	}
	known, err := r.Lines(ctx)
	if err != nil {
		return e.failed(err), false
	}
	for _, l := range known {
		if l == name {
			return ExitOK, true
		}
	}
	for i := range c.Lines {
		if l := c.Lines[i].Name; !slices.Contains(known, l) {
			known = append(known, l)
		}
	}
	return e.fault("%s: there is no line %q; there are %s", command, name, strings.Join(known, ", ")), false
}

// printer prints calls one by one, in one of three forms.
type printer struct {
	print func([]journal.Row) error
}

func newPrinter(w io.Writer, asJSON, asCSV bool) printer {
	switch {
	case asJSON:
		enc := json.NewEncoder(w)
		return printer{func(rows []journal.Row) error {
			for i := range rows {
				if err := enc.Encode(rows[i].Account.JSON()); err != nil {
					return err
				}
			}
			return nil
		}}
	case asCSV:
		out := csv.NewWriter(w)
		begun := false
		return printer{func(rows []journal.Row) error {
			if !begun {
				begun = true
				_ = out.Write(callrecord.CSVHeader()) // Flush returns its error
			}
			for i := range rows {
				_ = out.Write(rows[i].Account.CSV())
			}
			out.Flush()
			return out.Error()
		}}
	}
	return tablePrinter(w)
}

// tablePrinter returns a printer that aligns later rows with the columns of the first table.
func tablePrinter(w io.Writer) printer {
	// explain has the spare columns
	t := table{w: w, least: 6, spare: []string{"evidence", "verified", "cleared by", "open asked/actual", "direction"}}
	begun := false
	return printer{func(rows []journal.Row) error {
		var cells [][]string
		if !begun {
			begun = true
			cells = append(cells, callrecord.Header())
		}
		for i := range rows {
			cells = append(cells, callrecord.Row(local(rows[i].Account)))
		}
		return t.write(cells)
	}}
}

func explain(f *pflag.FlagSet) action {
	from := sourceFlags(f)
	return func(e *env, others []string) int {
		what := first(others)
		if what == "" {
			return e.fault("explain: name a call by its number, by its line for the last call there, or by the word last; `clearback calls` lists the calls")
		}
		c, r, code, ok := from.open(e)
		if !ok {
			return code
		}
		defer r.Close()
		ctx, cancel := e.within(readTimeout)
		defer cancel()
		var row journal.Row
		var entries []callrecord.Entry
		var err error
		if n, wrong := strconv.ParseUint(what, 10, 64); wrong == nil {
			row, entries, err = r.Call(ctx, n)
		} else {
			line := what
			if what == "last" {
				line = ""
			} else if code, ok := e.recordedLine(ctx, c, r, "explain", line); !ok {
				return code
			}
			row, entries, err = r.Last(ctx, line)
		}
		switch {
		case errors.Is(err, journal.ErrUnknown):
			return e.fault("explain: %s", strings.TrimPrefix(err.Error(), journal.ErrUnknown.Error()+": "))
		case err != nil:
			return e.failed(err)
		}
		fmt.Fprint(e.Out, callrecord.Explain(local(row.Account), entries, width(e.Out)))
		if err := e.reportLosses(ctx, r, row.Began); err != nil {
			return e.failed(err)
		}
		return ExitOK
	}
}

// local converts an account's times from UTC, as the journal has them, to local time. JSON and CSV output stays in UTC.
func local(a callrecord.Account) callrecord.Account {
	for _, t := range []*time.Time{&a.Began, &a.Answered, &a.Cleared, &a.Ended, &a.IncidentEnded} {
		if !t.IsZero() {
			*t = t.Local()
		}
	}
	return a
}

// width returns the width for wrapped text: that of the terminal, or 100 if w is not a terminal.
func width(w io.Writer) int {
	if columns, ok := terminalWidth(w); ok {
		return min(max(columns, 60), 140)
	}
	return 100
}
