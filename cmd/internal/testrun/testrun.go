package testrun

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
)

const usage = `usage: go run ./cmd/testrun [-record FILE] [go test arguments]
       go run ./cmd/testrun count FILE...
       go run ./cmd/testrun repeat [-runs N] [-at-once N] [-keep DIR] [-run REGEXP] [PACKAGE...]
       go run ./cmd/testrun mutate [-seed N] [-n N] [-limit TIME] [-only FILE:LINE]
                                   [-tests PACKAGE=PACKAGE,...] PACKAGE|FILE...
       go run ./cmd/testrun moved [OLD [NEW]]

The first form runs go test (on ./... by default) and lists at the end
what was skipped and why. With -record it also adds each result to FILE.
count adds up such files: a test that was skipped in one run and passed in another
has passed.
repeat builds each package's tests twice, with the race detector and without it,
and runs them N times (default 150): a quarter each plain, with the race detector,
plain beside two busy processes, and with the race detector beside them. It prints
a table, and keeps the output of each failed run in DIR.
mutate draws N mutants (default 60) of the packages and files: each changes one
operator, condition, constant or statement. It runs the package's tests on each,
for at most TIME (default 1m), and with -tests those of other packages after them.
It prints one line a mutant and a table. It does not change the tree. The same seed
(default 1) draws the same mutants of the same tree; -only draws those of one line.
moved compares two revisions (default HEAD~1 and HEAD) and prints what a commit that
only renames and moves leaves alone: functions, types, constants and variables that
differ in more than comments and our own names, and changed files below testdata.
`

// Main runs the command line and returns the exit code: 0 for success, 1 if a test failed, a mutant survived or more
// than names changed, 2 for wrong usage.
func Main(args []string, in io.Reader, out, errs io.Writer) int {
	var err error
	switch {
	case len(args) > 0 && args[0] == "help", len(args) > 0 && args[0] == "-h":
		fmt.Fprint(out, usage)
		return 0
	case len(args) > 0 && args[0] == "count":
		err = count(args[1:], out)
	case len(args) > 0 && args[0] == "repeat":
		err = repeat(args[1:], out, errs)
	case len(args) > 0 && args[0] == "mutate":
		err = mutate(args[1:], out, errs)
	case len(args) > 0 && args[0] == "moved":
		err = moved(args[1:], out, errs)
	case len(args) > 0 && args[0] == busyWord:
		return busy(in)
	default:
		err = run(args, out, errs)
	}
	switch {
	case err == nil:
		return 0
	case errors.Is(err, errFailed):
		return 1
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(out, usage)
		return 0
	}
	fmt.Fprintf(errs, "testrun: %v\n", err)
	return 2
}

// errFailed means that a test failed, a mutant survived or more than names changed. The details have been printed.
var errFailed = errors.New("a test failed, a mutant survived or more than names changed")

// run runs go test and prints its report.
func run(args []string, out, errs io.Writer) error {
	record := ""
	if len(args) > 0 && args[0] == "-record" {
		if len(args) < 2 {
			return errors.New("-record needs the name of a file")
		}
		record, args = args[1], args[2:]
	}
	if len(args) == 0 {
		args = []string{"./..."}
	}
	var results tally
	code, err := goTest(args, &results, out, errs)
	if err != nil {
		return err
	}
	if record != "" {
		if err := results.appendTo(record); err != nil {
			return err
		}
	}
	results.report(out)
	if code != 0 || results.failed() > 0 {
		return errFailed
	}
	return nil
}

// goTest runs go test with args, adds the results to results and returns the exit code. It copies to out one line for
// each package and all output of failed tests. With -v among the arguments, it copies all output.
func goTest(args []string, results *tally, out, errs io.Writer) (code int, err error) {
	cmd := exec.Command("go", append([]string{"test", "-json"}, args...)...)
	cmd.Stderr = errs
	events, err := cmd.StdoutPipe()
	if err != nil {
		return 0, err
	}
	if err := cmd.Start(); err != nil {
		return 0, fmt.Errorf("starting go test: %w", err)
	}
	read := results.read(events, out, slices.Contains(args, "-v"))
	var exit *exec.ExitError
	switch err := cmd.Wait(); {
	case errors.As(err, &exit):
		code = exit.ExitCode()
	case err != nil:
		return 0, fmt.Errorf("running go test: %w", err)
	}
	return code, read
}

// count prints one report on several recorded runs.
func count(files []string, out io.Writer) error {
	var results tally
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		err = results.load(f)
		f.Close()
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	results.report(out)
	if results.failed() > 0 {
		return errFailed
	}
	return nil
}
