package rehearsal

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// Report is what Run prints with Options.JSON. Names and meanings do not change; fields may be added.
type Report struct {
	// Mode is "with" or "without" the daemon.
	Mode   string        `json:"mode"`
	OK     bool          `json:"ok"`
	TookMS float64       `json:"took_ms"`
	Scenes []SceneReport `json:"scenes"`
	// Warnings are warnings of the daemon that belong to no scene.
	Warnings []string `json:"warnings,omitempty"`
}

// SceneReport is the result of one scene.
type SceneReport struct {
	Name  string `json:"name"`
	About string `json:"about"`
	// Habit is the habit of the adapter, absent if it has none.
	Habit string   `json:"habit,omitempty"`
	Lines []string `json:"lines"`
	OK    bool     `json:"ok"`
	// Seen describes what was as it should be, Problems what was not.
	Seen     []string        `json:"seen"`
	Problems []string        `json:"problems"`
	TookMS   float64         `json:"took_ms"`
	TimeLine []TimelineEntry `json:"time_line"`
}

// TimelineEntry is one entry of the scene's timeline.
type TimelineEntry struct {
	// MS is the time since the far end's hang-up.
	MS float64 `json:"ms"`
	// Place is a line's name, a far end's number or a controller's name. Who is "far end", "adapter", "near end",
	// "card", "lamp", "loop", "board" or "clearback".
	Place string `json:"place"`
	Who   string `json:"who"`
	Text  string `json:"text"`
}

// List prints the scenes and the habits.
func List(w io.Writer) {
	for _, s := range scenes() {
		fmt.Fprintf(w, "%-16s %s\n", s.name, s.about)
	}
	fmt.Fprintf(w, "habits of the adapter, for the scenes of a clearing (%s):\n", strings.Join(clearingScenes(), ", "))
	for _, h := range habits() {
		fmt.Fprintf(w, "%-16s %s\n", h.name, h.about)
	}
}

// SceneNames returns the names of all scenes.
func SceneNames() (names []string) {
	for _, s := range scenes() {
		names = append(names, s.name)
	}
	return names
}

// HabitNames returns the names of all habits.
func HabitNames() (names []string) {
	for _, h := range habits() {
		names = append(names, h.name)
	}
	return names
}

func (s *testBed) report() *Report {
	r := &Report{Mode: "with", OK: true, Warnings: s.notes.all()}
	if s.o.Without {
		r.Mode = "without"
	}
	for _, p := range s.runs {
		sr := SceneReport{
			Name: p.name, About: p.about, Habit: s.habit.name, OK: p.verdict.ok(), TookMS: inMS(p.took),
			Seen: append([]string{}, p.verdict.seen...), Problems: append([]string{}, p.verdict.problems...),
			TimeLine: p.timelineEntries(),
		}
		for _, part := range p.scene.lines {
			sr.Lines = append(sr.Lines, part.name)
		}
		r.OK = r.OK && sr.OK
		r.Scenes = append(r.Scenes, sr)
	}
	return r
}

// add appends the report of another test bed.
func (r *Report) add(o *Report) {
	r.OK = r.OK && o.OK
	r.Scenes = append(r.Scenes, o.Scenes...)
	r.Warnings = append(r.Warnings, o.Warnings...)
}

func (p *sceneRun) timelineEntries() []TimelineEntry {
	all := p.sorted()
	zero, ok := p.hungUp()
	if !ok && len(all) > 0 {
		zero = all[0].at
	}
	out := make([]TimelineEntry, 0, len(all))
	for _, e := range all {
		out = append(out, TimelineEntry{MS: inMS(e.at.Sub(zero)), Place: e.place, Who: e.who, Text: e.text})
	}
	return out
}

// inMS returns a duration in milliseconds, with microsecond resolution.
func inMS(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func (r *Report) print(o Options) error {
	if o.JSON {
		e := json.NewEncoder(o.Out)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		return e.Encode(r)
	}
	w := &writer{w: o.Out}
	good := 0
	for i := range r.Scenes {
		r.Scenes[i].print(w, len(o.habits()) > 1)
		if r.Scenes[i].OK {
			good++
		}
	}
	for _, s := range r.Warnings {
		w.printf("clearback, outside any scene: %s\n", s)
	}
	w.printf("summary\n")
	if len(o.habits()) > 0 {
		r.matrix(w)
	} else {
		for i := range r.Scenes {
			w.printf("  %-16s %s\n", r.Scenes[i].Name, r.mark(&r.Scenes[i]))
		}
	}
	if r.Mode == "without" {
		w.printf("%d of %d scenes show the problem that clearback solves, in %.1f s\n", good, len(r.Scenes),
			r.TookMS/1000)
	} else {
		w.printf("%d of %d scenes ended as they should, in %.1f s\n", good, len(r.Scenes), r.TookMS/1000)
	}
	return w.err
}

// print prints the result of a scene. If brief, it leaves out the timeline of a scene without problems.
func (s *SceneReport) print(w *writer, brief bool) {
	if s.Habit != "" {
		w.printf("%s, with the adapter's habit %s: %s\n", s.Name, s.Habit, s.About)
	} else {
		w.printf("%s: %s\n", s.Name, s.About)
	}
	if !brief || !s.OK {
		w.printf("  from the hang-up  where        who        what\n")
		for _, e := range s.TimeLine {
			w.printf("  %13.1f ms  %-12s %-9s  %s\n", e.MS, e.Place, e.Who, e.Text)
		}
	}
	if s.OK {
		w.printf("  verdict: ok: %s\n\n", strings.Join(s.Seen, "; "))
	} else {
		w.printf("  verdict: NOT AS IT SHOULD BE: %s\n\n", strings.Join(s.Problems, "; "))
	}
}

// matrix prints a table with a row for each habit and a column for each scene.
func (r *Report) matrix(w *writer) {
	var rows, columns []string
	cells := map[[2]string]string{}
	for i := range r.Scenes {
		s := &r.Scenes[i]
		if !slices.Contains(rows, s.Habit) {
			rows = append(rows, s.Habit)
		}
		if !slices.Contains(columns, s.Name) {
			columns = append(columns, s.Name)
		}
		cells[[2]string{s.Habit, s.Name}] = "ok"
		if !s.OK {
			cells[[2]string{s.Habit, s.Name}] = "FAIL"
		}
	}
	w.printf("  %-16s", "")
	for _, c := range columns {
		w.printf("  %s", c)
	}
	for _, row := range rows {
		w.printf("\n  %-16s", row)
		for _, c := range columns {
			w.printf("  %-*s", len(c), cells[[2]string{row, c}])
		}
	}
	w.printf("\n")
}

func (r *Report) mark(s *SceneReport) string {
	switch {
	case !s.OK:
		return "NOT AS IT SHOULD BE"
	case r.Mode == "without":
		return "STAYS HELD"
	default:
		return "as it should be"
	}
}

// writer writes until the first error, which it keeps.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) printf(format string, a ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w.w, format, a...)
	}
}
