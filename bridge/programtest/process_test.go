package programtest

import (
	"fmt"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

const limit = 10 * time.Second // only a failing test waits so long

func script(text string) *exec.Cmd { return exec.Command("sh", "-c", text) }

// Next returns each line once, and the unfinished last one too. Output has them all, from both streams.
func TestOutput(t *testing.T) {
	p := StartWithInput(t, script("echo one; read x; echo $x >&2; printf end"))
	if line, ok := p.Next(t, limit); line != "one" || !ok {
		t.Errorf("%q, %v", line, ok)
	}
	fmt.Fprintln(p.Input, "two")
	if line := p.Await(t, "tw", limit); line != "two" {
		t.Errorf("%q", line)
	}
	for _, want := range []string{"two", "end", ""} {
		if line, ok := p.Next(t, limit); line != want || ok != (want != "") {
			t.Errorf("%q, %v; want %q", line, ok, want)
		}
	}
	if p.Err() != nil || p.Output() != "one\ntwo\nend" {
		t.Errorf("%v, %q", p.Err(), p.Output())
	}
}

// Stop reports whether a process heeds SIGTERM. A process of a group is killed with the whole group, whose other
// members would otherwise hold its output.
func TestStop(t *testing.T) {
	if p := Start(t, script("exec sleep 60")); !p.Stop(limit) {
		t.Error("killed")
	} else if code := p.ExitCode(t, limit); code != -1 {
		t.Error(code)
	}
	cmd := script("trap '' TERM; echo ready; while :; do sleep 60; done")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	p := Start(t, cmd)
	p.Await(t, "ready", limit)
	if p.Ended() || p.Stop(time.Millisecond) || !p.Ended() {
		t.Error("it did not have to be killed")
	}
}

// A notice counts by each of its lines.
func TestNotices(t *testing.T) {
	n := Listen(t)
	p := Start(t, script("echo up; exec sleep 60"))
	p.Await(t, "up", limit)
	n.add("STATUS=at rest\nREADY=1", nil)
	n.Await(t, p, "READY=1", 0, limit)
	if n.Count("READY=1") != 1 || n.Count("READY") != 0 || !strings.HasPrefix(n.Env(), "NOTIFY_SOCKET=/") {
		t.Errorf("%+v", n.all)
	}
}
