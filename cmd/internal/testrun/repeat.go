package testrun

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/bits"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// A way is one of the four ways in which repeat runs a package's tests.
type way struct{ race, busy bool }

func (w way) String() string {
	name := "plain"
	if w.race {
		name = "race"
	}
	if w.busy {
		name += "+busy"
	}
	return name
}

// ways lists the ways in the order of the runs: those beside busy processes come last.
var ways = []way{{false, false}, {true, false}, {false, true}, {true, true}}

// A suite is the compiled tests of one package.
type suite struct {
	path, dir string
	binary    map[bool]string // true: with the race detector

	mu     sync.Mutex // guards the fields below
	runs   map[way]int
	failed map[way]int
	took   []time.Duration
}

type repetition struct {
	runs, atOnce int
	keep, only   string
	dir          string // the folder of the test binaries
}

// repeat runs each package's tests again and again and prints a table.
func repeat(args []string, out, errs io.Writer) error {
	var r repetition
	flags := flag.NewFlagSet("repeat", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.IntVar(&r.runs, "runs", 150, "")
	flags.IntVar(&r.atOnce, "at-once", 1, "")
	flags.StringVar(&r.keep, "keep", filepath.Join(os.TempDir(), "clearback-failed-runs"), "")
	flags.StringVar(&r.only, "run", "", "")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if r.runs < 1 || r.atOnce < 1 {
		return errors.New("-runs and -at-once are 1 or more")
	}
	var err error
	if r.dir, err = os.MkdirTemp("", "clearback-tests"); err != nil {
		return err
	}
	defer os.RemoveAll(r.dir)
	packages := flags.Args()
	if len(packages) == 0 {
		packages = []string{"./..."}
	}
	suites, err := r.build(packages, errs)
	if err != nil {
		return err
	}
	for _, busy := range []bool{false, true} {
		if err := r.round(suites, busy, errs); err != nil {
			return err
		}
	}
	return r.table(suites, out)
}

// build compiles the tests of each package that has tests, with and without the race detector.
func (r *repetition) build(packages []string, errs io.Writer) ([]*suite, error) {
	format := `{{if or .TestGoFiles .XTestGoFiles}}{{.ImportPath}}	{{.Dir}}{{end}}`
	listing := exec.Command("go", append([]string{"list", "-f", format}, packages...)...)
	listing.Stderr = errs
	listed, err := listing.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	var suites []*suite
	for line := range strings.Lines(string(listed)) {
		path, dir, tests := strings.Cut(strings.TrimSpace(line), "\t")
		if !tests {
			continue
		}
		s := &suite{path: path, dir: dir, binary: map[bool]string{}, runs: map[way]int{}, failed: map[way]int{}}
		for _, race := range []bool{false, true} {
			s.binary[race] = filepath.Join(r.dir, fmt.Sprintf("%d-%t.test", len(suites), race))
			if out, err := exec.Command("go", "test", "-c", fmt.Sprintf("-race=%t", race), "-o", s.binary[race],
				path).CombinedOutput(); err != nil {
				return nil, fmt.Errorf("building the tests of %s: %w\n%s", path, err, out)
			}
		}
		suites = append(suites, s)
	}
	if len(suites) == 0 {
		return nil, fmt.Errorf("no package of %q has tests", packages)
	}
	return suites, nil
}

// round runs half of the runs: those beside busy processes if busy is set, otherwise the others.
func (r *repetition) round(suites []*suite, busy bool, errs io.Writer) error {
	if busy {
		for range 2 {
			stop, err := startBusy()
			if err != nil {
				return err
			}
			defer stop()
		}
	}
	jobs := make(chan func()) // unbuffered: a worker takes only the job that it is about to run
	var workers sync.WaitGroup
	for range r.atOnce {
		workers.Go(func() {
			for job := range jobs {
				job()
			}
		})
	}
	for n := range r.runs {
		w := ways[n%len(ways)]
		if w.busy != busy {
			continue
		}
		for _, s := range suites {
			jobs <- func() { r.once(s, w, n, errs) }
		}
	}
	close(jobs)
	workers.Wait()
	return nil
}

// once runs one package's tests once.
func (r *repetition) once(s *suite, w way, n int, errs io.Writer) {
	args := []string{"-test.timeout=10m"}
	if w.race {
		args = append(args, "-test.short") // as .ci/run does
	}
	if r.only != "" {
		args = append(args, "-test.run="+r.only)
	}
	cmd := exec.Command(s.binary[w.race], args...)
	cmd.Dir = s.dir
	begin := time.Now()
	printed, err := cmd.CombinedOutput()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.runs[w]++
	s.took = append(s.took, time.Since(begin))
	if err == nil {
		return
	}
	s.failed[w]++
	name := fmt.Sprintf("%s-%03d-%s.txt", strings.ReplaceAll(s.path, "/", "-"), n, w)
	fmt.Fprintf(errs, "%s, %s: %v; see %s\n", s.path, w, err, filepath.Join(r.keep, name))
	err = os.MkdirAll(r.keep, 0o777)
	if err == nil {
		err = os.WriteFile(filepath.Join(r.keep, name), printed, 0o666)
	}
	if err != nil {
		fmt.Fprintf(errs, "its output cannot be kept: %v\n%s", err, bytes.TrimSpace(printed))
	}
}

// table prints, for each package and way, how many of the runs failed.
func (r *repetition) table(suites []*suite, out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprint(w, "package\tfailed / runs")
	for _, way := range ways {
		fmt.Fprintf(w, "\t%s", way)
	}
	fmt.Fprintln(w, "\tmedian\tlongest")
	all, failed := 0, 0
	for _, s := range suites {
		runs, bad := 0, 0
		cells := ""
		for _, way := range ways {
			cells += fmt.Sprintf("\t%d / %d", s.failed[way], s.runs[way])
			runs += s.runs[way]
			bad += s.failed[way]
		}
		slices.Sort(s.took)
		fmt.Fprintf(w, "%s\t%d / %d%s\t%.1f s\t%.1f s\n", s.path, bad, runs, cells,
			s.took[len(s.took)/2].Seconds(), s.took[len(s.took)-1].Seconds())
		all += runs
		failed += bad
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\n%d runs passed, %d failed\n", all-failed, failed)
	if failed > 0 {
		return errFailed
	}
	return nil
}

const busyWord = "busy" // the command line of a busy process

// startBusy starts a process that keeps one processor busy. stop ends it. It also ends when this process ends.
func startBusy() (stop func(), err error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(self, busyWord)
	lifeline, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting a busy process: %w", err)
	}
	return func() {
		lifeline.Close()
		_ = cmd.Wait()
	}, nil
}

// busy computes until its input is closed.
func busy(in io.Reader) int {
	go func() {
		for x := uint64(1); ; {
			x = bits.RotateLeft64(x, 1)
		}
	}()
	_, _ = io.Copy(io.Discard, in)
	return 0
}
