package rehearsal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"
)

// Report is what Run prints with Options.JSON. Names and meanings stay as they are; fields may be added.
type Report struct {
	// Mode is "with" or "without" the daemon.
	Mode   string        `json:"mode"`
	OK     bool          `json:"ok"`
	TookMS float64       `json:"took_ms"`
	Scenes []SceneReport `json:"scenes"`
	// Warnings of the daemon that belong to no scene.
	Warnings []string `json:"warnings,omitempty"`
}

// SceneReport is one scene of a Report.
type SceneReport struct {
	Name  string   `json:"name"`
	About string   `json:"about"`
	Lines []string `json:"lines"`
	OK    bool     `json:"ok"`
	// Seen is what was found to be as it should; Problems is what was not.
	Seen     []string   `json:"seen"`
	Problems []string   `json:"problems"`
	TookMS   float64    `json:"took_ms"`
	TimeLine []Sighting `json:"time_line"`
}

// Sighting is one entry of a time line.
type Sighting struct {
	// MS counts from the far end's hang-up.
	MS float64 `json:"ms"`
	// Place is a line's name, a far end's number or a controller's name. Who is "far end", "adapter", "near end", "card", "lamp", "loop",
	// "board" or "clearback".
	Place string `json:"place"`
	Who   string `json:"who"`
	Text  string `json:"text"`
}

// List names the scenes.
func List(w io.Writer) {
	for _, s := range scenes() {
		fmt.Fprintf(w, "%-16s %s\n", s.name, s.about)
	}
}

// Run plays the scenes side by side and prints what was seen. It returns ErrScenesFailed when one did not end as it should,
// ErrNoScene for a name that there is not, and whatever kept the stage from being set. Nothing runs after it has returned.
func Run(ctx context.Context, o Options) error {
	chosen, err := choose(o)
	if err != nil {
		return err
	}
	began := time.Now()
	s, err := newStage(ctx, o, chosen)
	if err != nil {
		return fmt.Errorf("rehearsal: setting the stage: %w", err)
	}
	var all sync.WaitGroup
	for _, p := range s.plays {
		all.Go(func() { p.run(ctx) })
	}
	all.Wait()
	closed := s.endDaemon()
	for _, p := range s.plays {
		if p.ending {
			p.conclude()
		}
	}
	r := s.report()
	closed = errors.Join(closed, s.close())
	r.TookMS = inMS(time.Since(began))
	switch err := r.print(o); {
	case err != nil:
		return fmt.Errorf("rehearsal: printing the report: %w", errors.Join(err, closed))
	case closed != nil:
		return fmt.Errorf("rehearsal: %w", closed)
	case ctx.Err() != nil:
		return fmt.Errorf("rehearsal: stopped: %w", ctx.Err())
	case !r.OK:
		return ErrScenesFailed
	}
	return nil
}

func choose(o Options) ([]scene, error) {
	var chosen []scene
	known := map[string]bool{}
	for _, s := range scenes() {
		if o.Without && !s.without {
			continue
		}
		known[s.name] = true
		if len(o.Scenes) == 0 || slices.Contains(o.Scenes, s.name) {
			chosen = append(chosen, s)
		}
	}
	for _, name := range o.Scenes {
		if !known[name] {
			what := "see the list of scenes"
			if o.Without {
				what = "not every scene can be played without the daemon"
			}
			return nil, fmt.Errorf("%w as %q; %s", ErrNoScene, name, what)
		}
	}
	return chosen, nil
}

func (s *stage) report() *Report {
	r := &Report{Mode: "with", OK: true, Warnings: s.notes.all()}
	if s.o.Without {
		r.Mode = "without"
	}
	for _, p := range s.plays {
		sr := SceneReport{
			Name: p.name, About: p.about, OK: p.verdict.ok(), TookMS: inMS(p.took),
			Seen: append([]string{}, p.verdict.seen...), Problems: append([]string{}, p.verdict.problems...), TimeLine: p.sightings(),
		}
		for _, part := range p.scene.lines {
			sr.Lines = append(sr.Lines, part.name)
		}
		r.OK = r.OK && sr.OK
		r.Scenes = append(r.Scenes, sr)
	}
	return r
}

func (p *play) sightings() []Sighting {
	all := p.sorted()
	zero, ok := p.hungUp()
	if !ok && len(all) > 0 {
		zero = all[0].at
	}
	out := make([]Sighting, 0, len(all))
	for _, e := range all {
		out = append(out, Sighting{MS: inMS(e.at.Sub(zero)), Place: e.place, Who: e.who, Text: e.text})
	}
	return out
}

// inMS is a time in milliseconds with the microseconds behind the point.
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
		r.Scenes[i].print(w)
		if r.Scenes[i].OK {
			good++
		}
	}
	for _, s := range r.Warnings {
		w.printf("clearback, of no scene: %s\n", s)
	}
	w.printf("summary\n")
	for i := range r.Scenes {
		w.printf("  %-16s %s\n", r.Scenes[i].Name, r.mark(&r.Scenes[i]))
	}
	if r.Mode == "without" {
		w.printf("%d of %d scenes show the trouble that clearback is for, in %.1f s\n", good, len(r.Scenes), r.TookMS/1000)
	} else {
		w.printf("%d of %d scenes ended as they should, in %.1f s\n", good, len(r.Scenes), r.TookMS/1000)
	}
	return w.err
}

func (s *SceneReport) print(w *writer) {
	w.printf("%s: %s\n", s.Name, s.About)
	w.printf("  from the hang-up  where        who        what\n")
	for _, e := range s.TimeLine {
		w.printf("  %13.1f ms  %-12s %-9s  %s\n", e.MS, e.Place, e.Who, e.Text)
	}
	if s.OK {
		w.printf("  verdict: ok: %s\n\n", strings.Join(s.Seen, "; "))
	} else {
		w.printf("  verdict: NOT AS IT SHOULD BE: %s\n\n", strings.Join(s.Problems, "; "))
	}
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

// writer keeps the first error.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) printf(format string, a ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w.w, format, a...)
	}
}
