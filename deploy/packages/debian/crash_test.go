package debian

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

// opens begins an opening and waits until the loop is open.
func (b *box) opens(t *testing.T) {
	t.Helper()
	b.must(t, "systemd-run -qG --unit=opening clearback pulse box-office --interval 2.8s")
	b.await(t, "clearback lines | grep -q 'box-office.* open '")
}

// lowMemory: the kernel kills the daemon for lack of memory, in an opening. operation.md says what the user reads.
func lowMemory(t *testing.T, b *box) {
	host(t, "bash", "testdata/box.sh", "limits", b.root)
	// The kernel chooses the daemon, and not the program that takes the memory.
	b.write(t, "/etc/systemd/system/clearback.service.d/memory.conf",
		"[Service]\nMemoryMax=96M\nOOMScoreAdjust=1000\n", 0o644)
	fill, err := os.ReadFile("testdata/fill.pl")
	if err != nil {
		t.Fatal(err)
	}
	b.write(t, "/root/fill.pl", string(fill), 0o644)
	b.must(t, "systemctl daemon-reload && systemctl restart clearback")
	b.serves(t)
	if _, err := strconv.Atoi(b.show(t, "clearback", "MemoryCurrent")); err != nil {
		t.Fatalf("MemoryMax has no effect here: %v", err)
	}
	// systemd 252 learns of the kernel's kills from version 2 of the groups only.
	const group, result = "/sys/fs/cgroup/memory/system.slice/clearback.service", "Failed with result 'signal'."
	closes, pid := b.closes(t), b.show(t, "clearback", "MainPID")
	b.opens(t)
	b.try("perl /root/fill.pl " + group + " " + pid) // it may be killed too, before the daemon's memory is free
	b.await(t, "test $(systemctl show clearback --value -p NRestarts) = 1 && systemctl -q is-active clearback")
	b.serves(t)
	contains(t, b.must(t, "journalctl -o cat --no-pager -n 200 -u clearback"), "code=killed, status=9/KILL", result,
		"every contact is closed", "the daemon's last run has no recorded end")
	if b.closes(t) == closes {
		t.Error("nothing closed the contacts after the daemon was killed")
	}
	b.must(t, "rm -r /etc/systemd/system/clearback.service.d && systemctl daemon-reload && systemctl restart clearback")
	b.serves(t)
}

// killedAgent: the agent is killed in an opening, and started again with its contacts closed. It has no reload.
func killedAgent(t *testing.T, b *box) {
	b.fails(t, "systemctl reload clearback-relay")
	pid := b.show(t, "clearback-relay", "MainPID")
	b.opens(t)
	equal(t, b.show(t, "clearback-relay", "MainPID"), pid, "the agent after a reload that it does not have")
	b.must(t, "kill -9 "+pid)
	b.await(t, "test $(systemctl show clearback-relay --value -p NRestarts) = 1 && systemctl -q is-active clearback-relay")
	b.serves(t)
	contains(t, b.must(t, "journalctl -o cat --no-pager -n 50 -u clearback-relay"), "code=killed, status=9/KILL",
		"contact is closed")
}

// killedInHeldCall: the daemon is killed while a call is held. systemd starts it again, and the call goes on: when the
// far end hangs up, the adapter is told. baresip sends no sound in a held call, and does not show whether it knows a
// call, so the loop stays closed, and the user reads what to do (SAFETY.md S110).
func killedInHeldCall(t *testing.T, b *box) {
	board := b.playhouse(t)
	b.must(t, "systemctl restart clearback") // the PBX is new, too
	b.await(t, "clearback lines | grep -q '^box-office *registered'")
	adapter, far := b.heldCall(t)
	b.must(t, "kill -9 $(systemctl show clearback --value -p MainPID)")
	b.await(t, "test $(systemctl show clearback --value -p NRestarts) = 1 && systemctl -q is-active clearback")
	b.await(t, "clearback lines | grep -q '^box-office .* answered .* closed '")
	contains(t, b.journal(t), "a call of the last run is continued")
	far.types(t, "/hangup")
	adapter.await(t, "terminated")
	b.await(t, "clearback explain last | tr -s '\\n ' ' ' | grep -q 'free it with .clearback pulse box-office'")
	if strings.Contains(board.text(), ",coil,") {
		t.Errorf("the loop was opened:\n%s", board.text())
	}
}
