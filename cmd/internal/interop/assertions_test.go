//go:build linux

package interop

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// This file observes the daemon from outside: by its own commands, by its control socket with curl, and by its journal
// with the sqlite3 command. The types below read JSON by the documented names, not by the daemon's own types.

// said is the result of a command of the binary.
type said struct {
	code     int
	out, err string
}

// command prepares a command of the built binary with the test's configuration file.
func (r *testBed) command(ctx context.Context, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, built.other, args...)
	c.Env = append(c.Environ(), "CLEARBACK_CONFIG="+r.config())
	return c
}

// cli runs a command of the built binary to its end.
func (r *testBed) cli(args ...string) said {
	r.t.Helper()
	ctx, cancel := context.WithTimeout(r.t.Context(), 20*time.Second)
	defer cancel()
	var out, errs strings.Builder
	c := r.command(ctx, args...)
	c.Stdout, c.Stderr = &out, &errs
	err := c.Run()
	if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
		r.t.Fatalf("clearback %s: %v", strings.Join(args, " "), err)
	}
	return said{c.ProcessState.ExitCode(), out.String(), errs.String()}
}

// mustRun runs a command that must succeed, and returns its output.
func (r *testBed) mustRun(args ...string) string {
	r.t.Helper()
	s := r.cli(args...)
	require.Zero(r.t, s.code, "clearback %s: %s%s", strings.Join(args, " "), s.out, s.err)
	return s.out
}

// callSeen is a line of `calls --json`.
type callSeen struct {
	Line          string
	Call          uint64
	Direction     string
	Emergency     bool
	Trial         bool
	Number        string
	CallID        string `json:"sip_call_id"`
	Answered      time.Time
	Cleared       time.Time
	ClearedBy     string `json:"cleared_by"`
	Evidence      string
	Openings      int
	Asked         float64 `json:"open_asked_ms"`
	Measured      float64 `json:"open_measured_ms"`
	Hook          string
	Verified      string
	Outcome       string
	Rule          string
	Incident      string
	IncidentEnded time.Time `json:"incident_ended"`
	Failed        bool
}

// calls returns the output of `clearback calls --json`.
func (r *testBed) calls(args ...string) []callSeen {
	r.t.Helper()
	var all []callSeen
	d := json.NewDecoder(strings.NewReader(r.mustRun(append([]string{"calls", "--json"}, args...)...)))
	for {
		var c callSeen
		if err := d.Decode(&c); errors.Is(err, io.EOF) {
			return all
		} else {
			require.NoError(r.t, err)
		}
		all = append(all, c)
	}
}

// recorded waits until the record has a matching call. That a hold stayed may be recorded only once nobody can still be
// at the handset.
func (r *testBed) recorded(what string, fits func(callSeen) bool) callSeen {
	r.t.Helper()
	var found callSeen
	eventually(r.t, 20*time.Second, what, func() bool {
		for _, c := range r.calls() {
			if fits(c) {
				found = c
				return true
			}
		}
		return false
	})
	return found
}

// daemonSeen is the output of `lines --json` and GET /v1/daemon.
type daemonSeen struct {
	API     int
	Config  string
	Journal struct {
		Path, Problem string
		Dropped       uint64
	}
	Lines []lineSeen
}

type lineSeen struct {
	Name     string
	Loop     string
	Tuning   bool
	Calls    []struct{ State, Direction, Number string }
	Contact  struct{ Kind, Controller, Problem string }
	Interval struct {
		Milliseconds int `json:"ms"`
		Configured   int `json:"configured_ms"`
		Stayed       int
	}
	Verify struct {
		By      string
		Trusted bool
	}
	Adapter struct {
		Bound        bool
		Address      string
		UserAgent    string `json:"user_agent"`
		Since, Until string
	}
	LastClearing *struct{ Outcome string } `json:"last_clearing"`
	Incident     *struct{ Reason, Rule, Advice string }
	SecondServer struct {
		Passed    time.Time `json:"passed_at"`
		TestAgain string    `json:"test_again"`
		Test      struct {
			Until      time.Time
			Unanswered int
		}
	} `json:"second_server"`
}

func (r *testBed) lines() daemonSeen {
	r.t.Helper()
	var h daemonSeen
	require.NoError(r.t, json.Unmarshal([]byte(r.mustRun("lines", "--json")), &h))
	return h
}

func (r *testBed) line(name string) lineSeen {
	r.t.Helper()
	h := r.lines()
	for _, l := range h.Lines {
		if l.Name == name {
			return l
		}
	}
	r.t.Fatalf("lines does not show %s: %+v", name, h)
	return lineSeen{}
}

// awaitLine waits until `lines --json` shows the line in the wanted state.
func (r *testBed) awaitLine(name, what string, fits func(lineSeen) bool) lineSeen {
	r.t.Helper()
	var l lineSeen
	eventually(r.t, 10*time.Second, what, func() bool {
		l = r.line(name)
		return fits(l)
	})
	return l
}

// sqlite queries the journal with the sqlite3 command, read-only.
func (r *testBed) sqlite(query string) []string {
	r.t.Helper()
	need(r.t, "sqlite3")
	out, err := exec.CommandContext(r.t.Context(), "sqlite3", "-batch", "-readonly", "-cmd", ".timeout 5000", r.journal,
		query).CombinedOutput()
	require.NoError(r.t, err, "%s: %s", query, out)
	text := strings.TrimSpace(string(out))
	if text == "" {
		return nil
	}
	return strings.Split(text, "\n")
}

func (r *testBed) sqliteNumber(query string) int {
	r.t.Helper()
	all := r.sqlite(query)
	require.Len(r.t, all, 1, query)
	n, err := strconv.Atoi(all[0])
	require.NoError(r.t, err)
	return n
}

// requireWhole checks the file with SQLite's own program.
func (r *testBed) requireWhole() {
	r.t.Helper()
	require.Equal(r.t, []string{"ok"}, r.sqlite("PRAGMA integrity_check"))
}

// dialogue is a command of the binary that asks questions, with the test as its terminal.
type dialogue struct {
	t testing.TB
	*programtest.Process
	errs programtest.Buffer
	log  []string
}

// talk starts a command that asks questions. The end of the test stops it.
func (r *testBed) talk(args ...string) *dialogue {
	r.t.Helper()
	d := &dialogue{t: r.t}
	cmd := r.command(context.Background(), args...)
	cmd.Stderr = &d.errs
	d.Process = programtest.StartWithInput(r.t, cmd)
	r.t.Cleanup(func() {
		d.Kill()
		if r.t.Failed() {
			r.t.Logf("clearback %s:\n%s\n%s", strings.Join(args, " "), strings.Join(d.log, "\n"), d.errs.String())
		}
	})
	return d
}

// next returns the next line of output. ok is false at the end of the output.
func (d *dialogue) next() (text string, ok bool) {
	d.t.Helper()
	text, ok = d.Next(d.t, 20*time.Second)
	d.log = append(d.log, text)
	return text, ok
}

// until returns the first line of output that contains word.
func (d *dialogue) until(word string) string {
	d.t.Helper()
	for {
		text, ok := d.next()
		if !ok {
			d.t.Fatalf("%q was never said, but %q, %s", word, d.log, d.errs.String())
		}
		if strings.Contains(text, word) {
			return text
		}
	}
}

func (d *dialogue) answer(text string) {
	d.log = append(d.log, "> "+text)
	_, err := fmt.Fprintln(d.Input, text)
	require.NoError(d.t, err)
}

// ended waits for the command and returns its result.
func (d *dialogue) ended() said {
	d.t.Helper()
	for ok := true; ok; {
		_, ok = d.next()
	}
	err := d.Err()
	if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
		require.NoError(d.t, err)
	}
	return said{d.Cmd.ProcessState.ExitCode(), strings.Join(d.log, "\n"), d.errs.String()}
}
