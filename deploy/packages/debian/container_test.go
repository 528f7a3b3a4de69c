package debian

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The configuration of the container: the daemon, and on the same machine the agent with a simulated contact.
const (
	daemonFile = `country: GB
sip:
  adapter_side: {listen: 127.0.0.1:5060}
  service_side: {listen: 127.0.0.1:5070}
controllers:
  - {name: relays, driver: modbus, modbus: {address: 127.0.0.1:502}}
lines:
  - name: box-office
    adapter: {user: box-office, password: {credential: box-office-adapter}}
    service: {registrar: "sip:127.0.0.1:5080", user: "5550101", password: {credential: box-office-service}}
    contact: {driver: modbus, controller: relays, coil: 0, timed: {register: 1, unit: 1ms, limit: 3s}}
`
	agentFile = `listen: 127.0.0.1:502
allow_from: [127.0.0.1]
contacts: [{name: box-office, simulated: {}}, {name: workshop, simulated: {}}]
mqtt: {address: "mqtt://127.0.0.1:1883", prefix: millrace, user: cabinet, password: {credential: broker}}
`
)

// hostArch is Debian's name of this machine's architecture.
func hostArch(t *testing.T) string {
	t.Helper()
	need(t, "dpkg", "dpkg")
	out, err := commandOutput("dpkg", "--print-architecture")
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// packages builds both versions of the packages into the container's folder /root.
func (b *box) packages(t *testing.T) {
	t.Helper()
	for _, version := range []string{"1.0.0-1", "1.1.0-1"} {
		if _, err := build(options{source: "../../..", out: filepath.Join(b.root, "root"), archs: []string{hostArch(t)},
			version: version, maintainer: "Millrace Playhouse <stage@millrace.example>", compression: "gzip"}); err != nil {
			t.Fatal(err)
		}
	}
}

// install installs a version as apt would: without anybody who could answer a question.
func (b *box) install(t *testing.T, version string) (out string) {
	t.Helper()
	return b.must(t, "cd /root && dpkg -i *_"+version+"-1_*.deb </dev/null")
}

func contains(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, part := range parts {
		if !strings.Contains(text, part) {
			t.Errorf("%q is missing in:\n%s", part, text)
		}
	}
}

func equal(t *testing.T, got, want, what string) {
	t.Helper()
	if got != want {
		t.Errorf("%s: %q; want %q", what, got, want)
	}
}

// TestPackages follows the packages through their life, in one container. Each step builds on the one before.
func TestPackages(t *testing.T) {
	b := newBox(t)
	b.packages(t)
	for _, step := range []struct {
		name string
		run  func(*testing.T, *box)
	}{
		{"first installation starts nothing", firstInstallation},
		{"the unfinished file fails once", unfinishedFile},
		{"serving", serving},
		{"a reload keeps the process", reloading},
		{"a daemon that was killed serves again", killedDaemon},
		{"a daemon that hangs is started again", hangingDaemon},
		{"an agent that was killed serves again", killedAgent},
		{"a daemon that is killed for lack of memory", lowMemory},
		{"every documented key works", documentedKeys},
		{"a line is added as the guide says", addedLine},
		{"a backup is restored after everything was lost", restoredBackup},
		{"an upgrade keeps the edited file and restarts", upgrade},
		{"an upgrade leaves a daemon running whose file has faults", upgradeWithFaults},
		{"an upgrade keeps a held call", upgradeDuringHeldCall},
		{"an upgrade keeps an emergency call, and a stop waits for it", upgradeDuringEmergencyCall},
		{"a disabled unit stays disabled", disabledUnit},
		{"a downgrade", downgrade},
		{"a reboot", reboot},
		{"each restriction bites", restrictions},
		{"a removal keeps the settings", removal},
		{"a purge", purge},
		{"README's path", readmePath},
		{"a held call outlives a kill", killedInHeldCall},
	} {
		if !t.Run(step.name, func(t *testing.T) { step.run(t, b) }) {
			return
		}
	}
}

// SAFETY.md S107.
func firstInstallation(t *testing.T, b *box) {
	out := b.install(t, "1.0.0")
	contains(t, out, "  clearback check && systemctl start clearback",
		"clearback relay --check --config /etc/clearback/relay.yaml && systemctl start clearback-relay")
	for _, unit := range []string{"clearback", "clearback-relay"} {
		equal(t, b.must(t, "systemctl is-enabled "+unit), "enabled", unit)
		equal(t, b.show(t, unit, "ActiveState"), "inactive", unit)
		b.must(t, "id "+unit)
	}
	equal(t, b.must(t, "cd /etc/clearback && stat -c '%n %a %U' *"), "clearback.yaml 644 root\nrelay-secrets 700 root\n"+
		"relay.yaml 644 root\nsecrets 700 root", "the folder")
	equal(t, b.must(t, "dpkg --verify clearback-bin clearback clearback-relay"), "", "dpkg --verify")
	contains(t, b.must(t, "clearback version"), "clearback")
}

// SAFETY.md S106.
func unfinishedFile(t *testing.T, b *box) {
	for unit, faults := range map[string][]string{
		"clearback": {"clearback.yaml:4:9: country is empty", "sip.adapter_side.listen is empty",
			"controllers[0].modbus.address is empty", "no credential line-1-adapter", "registrar is empty"},
		"clearback-relay": {"relay.yaml:4:8: listen is empty", "allow_from", "contacts[0].gpio"},
	} {
		b.fails(t, "systemctl start "+unit)
		equal(t, b.show(t, unit, "ActiveState"), "failed", unit)
		equal(t, b.show(t, unit, "NRestarts"), "0", unit)
		equal(t, b.show(t, unit, "ExecMainStatus"), "78", unit)
		contains(t, b.must(t, "journalctl -o cat --no-pager -u "+unit), faults...)
	}
}

func serving(t *testing.T, b *box) {
	b.write(t, "/etc/clearback/clearback.yaml", daemonFile, 0o644)
	b.write(t, "/etc/clearback/relay.yaml", agentFile, 0o644)
	for _, secret := range []string{"secrets/box-office-adapter", "secrets/box-office-service", "relay-secrets/broker"} {
		b.write(t, "/etc/clearback/"+secret, "curtain\n", 0o600)
	}
	b.must(t, "systemctl start clearback-relay clearback")
	b.serves(t)
	agent := b.show(t, "clearback-relay", "MainPID")
	equal(t, b.must(t, "ps -L -o cls= -p "+agent+" | sort -u | tr -d ' '"), "FF", "the class of the agent's threads")
	// The daemon's files belong to nobody else.
	equal(t, b.must(t, "stat -c '%a %U' /var/lib/clearback /var/lib/clearback/journal.db /run/clearback/control"),
		"750 clearback\n640 clearback\n660 clearback", "the daemon's files")
}

// SAFETY.md S124 and S125.
func reloading(t *testing.T, b *box) {
	const file, hasRoom = "/etc/clearback/clearback.yaml", "clearback lines | grep -q '^green-room '"
	pid := b.show(t, "clearback", "MainPID")
	b.write(t, file, daemonFile+`  - name: green-room
    adapter: {user: green-room, contact: "sip:green-room@127.0.0.1:5064"}
    service: {registrar: "sip:127.0.0.1:5080", user: "5550102", register: false}
    contact: {driver: none}
`, 0o644)
	contains(t, b.must(t, "clearback lines"), file+" was edited and is not loaded")
	b.must(t, "systemctl reload clearback")
	b.must(t, hasRoom)
	b.must(t, "sed -i 's/^country: .*/country: UK/' "+file)
	b.fails(t, "systemctl reload clearback")
	contains(t, b.must(t, "journalctl -o cat --no-pager -u clearback -n 50"), "clearback.yaml:1:10: country",
		"the daemon continues with what it has loaded")
	b.must(t, hasRoom)
	b.serves(t)
	b.write(t, file, daemonFile, 0o644)
	b.must(t, "systemctl kill -s HUP --kill-who=main clearback")
	b.await(t, "! "+hasRoom)
	b.serves(t)
	equal(t, b.show(t, "clearback", "MainPID"), pid, "the process")
}

// serves checks that the daemon serves its line and reaches its contact.
func (b *box) serves(t *testing.T) {
	t.Helper()
	b.await(t, "clearback lines | grep -q 'box-office.* closed '")
	equal(t, b.show(t, "clearback", "ActiveState"), "active", "the daemon")
}

// lastClose returns how often the contacts were closed after an end of the daemon.
func (b *box) closes(t *testing.T) string {
	t.Helper()
	out, _ := b.try("journalctl -o cat --no-pager -u clearback | grep -c '^every contact is closed'")
	return out
}

func killedDaemon(t *testing.T, b *box) {
	before, pid := b.closes(t), b.show(t, "clearback", "MainPID")
	b.must(t, "kill -9 "+pid)
	b.await(t, "test $(systemctl show clearback --value -p NRestarts) = 1 && systemctl -q is-active clearback")
	b.serves(t)
	if b.closes(t) == before {
		t.Error("nothing closed the contacts after the daemon was killed")
	}
	// After a panic, Go ends with 2, as after a fault in the command line. The daemon has to come back.
	b.must(t, "kill -QUIT $(systemctl show clearback --value -p MainPID)")
	b.await(t, "test $(systemctl show clearback --value -p NRestarts) = 2 && systemctl -q is-active clearback")
	contains(t, b.must(t, "journalctl -o cat --no-pager -u clearback -n 2000"), "status=2/INVALIDARGUMENT")
	b.serves(t)
}

// restoredBackup is SAFETY.md S128, with the folders and users of the package.
func restoredBackup(t *testing.T, b *box) {
	calls := b.must(t, "clearback calls --json | head -n 1")
	b.must(t, "clearback backup --with-secrets /root/clearback.backup")
	contains(t, b.fails(t, "clearback restore /root/clearback.backup"), "systemctl stop clearback")
	b.must(t, "systemctl stop clearback && rm -r /etc/clearback/clearback.yaml /etc/clearback/secrets/*"+
		" /var/lib/clearback/*")
	contains(t, b.must(t, "clearback restore /root/clearback.backup"), "may call back")
	equal(t, b.must(t, "cd /var/lib/clearback && stat -c '%n %a %U:%G' *"), "journal.db 640 clearback:clearback\n"+
		"journal.db-lock 600 clearback:clearback", "the journal")
	equal(t, b.must(t, "cd /etc/clearback && stat -c '%a %U' clearback.yaml secrets secrets/*"),
		"644 root\n700 root\n600 root\n600 root", "the configuration and the secrets")
	contains(t, b.must(t, "clearback check"), "clearback.yaml: no faults")
	equal(t, b.must(t, "clearback calls --json | head -n 1"), calls, "the calls")
	b.must(t, "systemctl start clearback")
	b.serves(t)
	equal(t, b.must(t, "journalctl -o cat --no-pager -u clearback -n 100 | grep -c 'journal.*damaged' || true"), "0",
		"faults of the journal")
	b.must(t, "rm /root/clearback.backup")
}

func hangingDaemon(t *testing.T, b *box) {
	fed := b.show(t, "clearback", "WatchdogTimestampMonotonic")
	b.await(t, "test $(systemctl show clearback --value -p WatchdogTimestampMonotonic) != "+fed)
	equal(t, b.show(t, "clearback", "WatchdogUSec"), "10s", "WatchdogSec")
	b.write(t, "/etc/systemd/system/clearback.service.d/hasty.conf", "[Service]\nWatchdogSec=1s\nTimeoutAbortSec=1s\n", 0o644)
	b.must(t, "systemctl daemon-reload && systemctl restart clearback")
	b.serves(t)
	b.must(t, "kill -STOP $(systemctl show clearback --value -p MainPID)")
	b.await(t, "test $(systemctl show clearback --value -p NRestarts) = 1 && systemctl -q is-active clearback")
	contains(t, b.must(t, "journalctl -o cat --no-pager -u clearback -n 2000"), "Watchdog timeout (limit 1s)!")
	b.must(t, "rm -r /etc/systemd/system/clearback.service.d && systemctl daemon-reload && systemctl restart clearback")
	b.serves(t)
}

// addedLine follows adding-a-line.md with its own commands, as far as they need neither adapter nor PBX. The container
// has no sudo, and its agent has other registers than the guide's board.
func addedLine(t *testing.T, b *box) {
	guide, err := os.ReadFile("../../adding-a-line.md")
	if err != nil {
		t.Fatal(err)
	}
	commands := regexp.MustCompile(`(?m)^ *\$ (?:sudo )?(.+)$`).FindAllStringSubmatch(string(guide), -1)
	follow := func(begin string) string {
		for _, m := range commands {
			if strings.HasPrefix(m[1], begin) {
				return strings.ReplaceAll(m[1], "sudo ", "")
			}
		}
		t.Fatalf("the guide has no command %s", begin)
		return ""
	}
	_, line, _ := strings.Cut(string(guide), "```yaml\n")
	line, _, _ = strings.Cut(line, "```")
	line = strings.NewReplacer("coil: 2", "coil: 1", "{register: 18, unit: 100ms,", "{register: 3, unit: 1ms,",
		"sip:pbx.millrace.example", `"sip:127.0.0.1:5080"`).Replace(line)

	for _, secret := range []string{"workshop-adapter", "workshop-service"} {
		b.must(t, "echo curtain | "+follow("install -m 600 /dev/stdin /etc/clearback/secrets/"+secret))
	}
	b.must(t, follow("clearback lines"))
	b.write(t, "/etc/clearback/clearback.yaml", daemonFile+line, 0o644)
	contains(t, b.must(t, follow("clearback check")), "line workshop: contact of kind oneshot",
		"clearback.yaml: no faults")
	b.must(t, follow("systemctl stop clearback"))
	b.must(t, follow("systemctl start clearback"))
	b.await(t, "clearback lines | grep -q 'workshop.* closed '")
	b.await(t, follow("clearback pulse workshop")+" | grep -q '(asked 800 ms); hook: unknown'")
	b.try(follow("clearback pulse workshop --interval 2.8s & sleep 1; sudo systemctl kill --signal=KILL clearback"))
	b.await(t, "clearback lines | grep -q 'workshop.* closed '")
	contains(t, b.must(t, "journalctl -o cat --no-pager -u clearback -n 200"), "every contact is closed")

	b.write(t, "/etc/clearback/clearback.yaml", daemonFile, 0o644)
	b.must(t, "rm /etc/clearback/secrets/workshop-*; systemctl restart clearback")
	b.serves(t)
}

// SAFETY.md S108.
func upgrade(t *testing.T, b *box) {
	b.must(t, "echo '# edited by hand' >>/etc/clearback/clearback.yaml")
	daemon, agent := b.show(t, "clearback", "MainPID"), b.show(t, "clearback-relay", "MainPID")
	before := b.closes(t)
	b.install(t, "1.1.0")
	contains(t, b.must(t, "tail -1 /etc/clearback/clearback.yaml"), "# edited by hand")
	contains(t, b.must(t, "dpkg -l clearback | tail -1"), "1.1.0-1")
	if b.show(t, "clearback", "MainPID") == daemon || b.show(t, "clearback-relay", "MainPID") == agent {
		t.Error("the old program still runs")
	}
	if b.closes(t) == before {
		t.Error("nothing closed the contacts between the two versions")
	}
	equal(t, b.show(t, "clearback", "NRestarts"), "0", "restarts after a failure")
	b.serves(t)
}

// SAFETY.md S108.
func upgradeWithFaults(t *testing.T, b *box) {
	b.must(t, "cp /etc/clearback/clearback.yaml /root/good && sed -i 's/^country: .*/country: UK/' /etc/clearback/clearback.yaml")
	pid := b.show(t, "clearback", "MainPID")
	contains(t, b.install(t, "1.1.0"), "does not accept /etc/clearback/clearback.yaml", "clearback.yaml:1:10: country")
	equal(t, b.show(t, "clearback", "MainPID"), pid, "the process")
	b.must(t, "cp /root/good /etc/clearback/clearback.yaml")
	b.serves(t)
}

// play runs a script of folder testdata in the container until end is called.
func (b *box) play(t *testing.T, script string) (end func()) {
	t.Helper()
	text, err := os.ReadFile("testdata/" + script)
	if err != nil {
		t.Fatal(err)
	}
	b.write(t, "/root/"+script, string(text), 0o644)
	b.must(t, "rm -f /run/hang-up; systemd-run -q --unit=call perl /root/"+script)
	return func() { b.must(t, "systemctl stop call") }
}

// SAFETY.md S129. Nothing is refused meanwhile, and no sound is lost. The hold is cleared afterwards.
func upgradeDuringHeldCall(t *testing.T, b *box) {
	end := b.play(t, "held.pl")
	b.await(t, "test -e /run/held")
	pid := b.show(t, "clearback", "MainPID")
	const registered = "clearback lines | grep -q 'box-office.*127.0.0.1:5062'"
	b.must(t, registered)
	b.must(t, "touch /run/count")
	b.await(t, "test -e /run/refused")
	b.install(t, "1.1.0")
	b.serves(t)
	b.must(t, registered)
	b.must(t, "rm /run/count")
	equal(t, b.must(t, "cat /run/refused"), "0", "refused during the upgrade")
	equal(t, b.must(t, "systemctl is-active call"), "active", "the call")
	if b.show(t, "clearback", "MainPID") == pid {
		t.Error("the old program still runs")
	}
	log := b.must(t, "journalctl -o cat --no-pager -u clearback -n 200")
	contains(t, log, "calls, sockets and registrations are left to the next process",
		"a call of the last run is continued")
	b.must(t, "touch /run/hang-up")
	b.await(t, "test -s /run/cleared")
	counts := b.must(t, "cat /run/cleared")
	t.Log(counts)
	if strings.Count(counts, " missing 0 ") != 2 {
		t.Errorf("sound was lost: %s", counts)
	}
	b.await(t, "journalctl -o cat --no-pager -u clearback -n 200 | grep -q 'loop-closed'")
	end()
}

// SAFETY.md S129 and S109. The daemon asks for more time in the first 12 s, its time limit here.
func upgradeDuringEmergencyCall(t *testing.T, b *box) {
	b.must(t, "sed -i 's/adapter: {.*/adapter: {user: box-office, contact: \"sip:box-office@127.0.0.1:5062\"}\\n"+
		"    media: direct/' /etc/clearback/clearback.yaml")
	b.write(t, "/etc/systemd/system/clearback.service.d/hasty.conf", "[Service]\nTimeoutStopSec=12s\n", 0o644)
	b.must(t, "systemctl daemon-reload && systemctl restart clearback")
	end := b.play(t, "emergency.pl")
	b.await(t, "test -e /run/answered")
	pid := b.show(t, "clearback", "MainPID")
	b.install(t, "1.1.0")
	next := b.show(t, "clearback", "MainPID")
	if next == pid {
		t.Error("the old program still runs")
	}

	b.must(t, "systemctl stop --no-block clearback")
	const since = "$(systemctl show clearback --value -p StateChangeTimestampMonotonic)"
	b.await(t, "systemctl show clearback --value -p ActiveState | grep -q deactivating && "+
		"test $(( $(cut -d. -f1 /proc/uptime) - "+since+" / 1000000 )) -gt 13")
	equal(t, b.show(t, "clearback", "MainPID"), next, "the process with the emergency call")
	equal(t, b.show(t, "call", "ActiveState"), "active", "the call")
	b.must(t, "touch /run/hang-up")
	b.await(t, "test ! -e /run/hang-up") // the daemon has answered the BYE
	b.await(t, "test $(systemctl show clearback --value -p ActiveState) = inactive")
	end()
	b.must(t, "rm -r /etc/systemd/system/clearback.service.d && systemctl daemon-reload && systemctl start clearback")
	equal(t, b.show(t, "clearback", "NRestarts"), "0", "restarts after a failure")
	b.serves(t)
}

func disabledUnit(t *testing.T, b *box) {
	b.must(t, "systemctl disable --now clearback")
	b.install(t, "1.1.0")
	equal(t, b.show(t, "clearback", "ActiveState"), "inactive", "the daemon")
	equal(t, b.show(t, "clearback", "UnitFileState"), "disabled", "the daemon's unit")
	b.must(t, "systemctl enable --now clearback")
	b.serves(t)
}

func downgrade(t *testing.T, b *box) {
	pid := b.show(t, "clearback", "MainPID")
	b.install(t, "1.0.0")
	contains(t, b.must(t, "dpkg -l clearback | tail -1"), "1.0.0-1")
	contains(t, b.must(t, "tail -1 /etc/clearback/clearback.yaml"), "# edited by hand")
	if b.show(t, "clearback", "MainPID") == pid {
		t.Error("the newer program still runs")
	}
	b.serves(t)
}

func reboot(t *testing.T, b *box) {
	host(t, "bash", "testdata/box.sh", "reboot", b.root)
	b.serves(t)
	// The daemon ends before the agent, so that it can close the contacts.
	contains(t, b.must(t, "journalctl -o cat --no-pager -u clearback -b -1 | tail -4"), "every contact is closed")
}

// SAFETY.md S109.
func removal(t *testing.T, b *box) {
	b.must(t, "dpkg -r clearback clearback-relay clearback-bin")
	b.fails(t, "systemctl is-active clearback")
	b.fails(t, "which clearback")
	b.must(t, "test -e /etc/clearback/clearback.yaml -a -e /etc/clearback/secrets/box-office-adapter "+
		"-a -e /var/lib/clearback/journal.db")
	b.must(t, "id clearback")
	b.install(t, "1.0.0")
	contains(t, b.must(t, "tail -1 /etc/clearback/clearback.yaml"), "# edited by hand")
	b.must(t, "systemctl start clearback-relay clearback")
	b.serves(t)
}

// SAFETY.md S109: a purge of one package leaves the other alone, and what an administrator has added.
func purge(t *testing.T, b *box) {
	b.write(t, "/etc/clearback/broker-ca.pem", "", 0o644)
	contains(t, b.must(t, "dpkg -P clearback"), "/etc/clearback stays, since it is not empty.")
	equal(t, b.must(t, "ls /etc/clearback"), "broker-ca.pem\nrelay-secrets\nrelay.yaml", "what the purge leaves")
	b.fails(t, "test -e /var/lib/clearback")
	b.fails(t, "id clearback")
	equal(t, b.show(t, "clearback-relay", "ActiveState"), "active", "the agent")
	b.must(t, "dpkg -P clearback-relay clearback-bin")
	equal(t, b.must(t, "ls /etc/clearback"), "broker-ca.pem", "what the second purge leaves")
	b.fails(t, "id clearback-relay")
	equal(t, b.must(t, "find / -xdev -name '*clearback*' -not -path '/root/*' -not -path '/var/cache/*' -not -path '/var/log/*'"),
		"/etc/clearback", "what is left on the disk")

	b.must(t, "rm -r /etc/clearback")
	b.install(t, "1.0.0")
	b.must(t, "dpkg -P clearback clearback-relay clearback-bin")
	b.fails(t, "test -e /etc/clearback")
	equal(t, b.must(t, "dpkg --audit"), "", "dpkg --audit")
}
