package debian

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// unitLine is a setting of a unit file.
var unitLine = regexp.MustCompile(`^([A-Za-z]+)=`)

// noRestrictions are the settings that limit nothing that a process may do, separated by spaces. Group is the group
// that the user belongs to without it.
const noRestrictions = "Type NotifyAccess ExecStart ExecReload ExecStopPost Restart RestartSec RestartPreventExitStatus " +
	"RestartKillSignal FileDescriptorStoreMax WatchdogSec WatchdogSignal TimeoutAbortSec TimeoutStartSec TimeoutStopSec " +
	"KillMode StateDirectoryMode RuntimeDirectory RuntimeDirectoryMode RuntimeDirectoryPreserve LoadCredential Group"

// namespaces are the settings that give a unit a mount namespace of its own.
const namespaces = "PrivateMounts ProtectSystem ProtectHome PrivateTmp PrivateDevices ProtectKernelLogs ProtectKernelModules " +
	"ProtectKernelTunables ProtectControlGroups ProtectProc ProcSubset"

// noNewPrivileges are the settings that imply NoNewPrivileges for a unit with a user (systemd.exec(5)).
const noNewPrivileges = "SystemCallFilter SystemCallArchitectures RestrictAddressFamilies RestrictNamespaces RestrictRealtime " +
	"RestrictSUIDSGID MemoryDenyWriteExecute LockPersonality PrivateDevices ProtectKernelTunables ProtectKernelModules " +
	"ProtectKernelLogs ProtectClock ProtectHostname"

// A restriction is shown by a command that fails under a unit with this setting and succeeds under the unit without it.
// For a setting that grants something, such as a limit, the command fails if that is granted. Numbers of system calls
// are those of amd64.
type restriction struct {
	setting string
	without string // further settings that would also make the command fail; the unit has none of them
	asRoot  bool   // else as the unit's user, who may do less anyway
	raises  bool   // a limit, for which the service manager needs CAP_SYS_RESOURCE
	command string
	after   string // if not "", this command decides, after the unit has ended
}

const (
	forbidden    = `perl -e 'open(my $f, "<", "%s"); exit($! != 1)'` // succeeds if it may not open a file
	allowed      = `perl -e 'open(my $f, "<", "%s"); exit($! == 1)'` // succeeds otherwise, even if it cannot
	queueIsThere = "perl -e 'exit(!defined(msgget(7, 0)))'"
)

var unitRestrictions = []restriction{
	{setting: "ProtectSystem", asRoot: true, command: "touch /etc/probe"},
	{setting: "ProtectHome", asRoot: true, command: "ls /root"},
	{setting: "PrivateTmp", command: "test -e /tmp/of-somebody-else"},
	{setting: "PrivateDevices", command: "test -e /dev/of-somebody-else"},
	{setting: "PrivateMounts", without: namespaces, command: "test $(readlink /proc/self/ns/mnt) = MOUNTS"},
	{setting: "DevicePolicy", without: "DeviceAllow ProtectClock", asRoot: true,
		command: fmt.Sprintf(allowed, "/dev/net/tun")},
	{setting: "DeviceAllow", asRoot: true, command: fmt.Sprintf(forbidden, "/dev/ttyS9")},
	{setting: "ProcSubset", command: "cat /proc/meminfo"},
	{setting: "ProtectProc", command: "test -e /proc/1/cmdline"},
	{setting: "ProtectClock", without: "SystemCallFilter", asRoot: true, // no clock is set: a bad address is EFAULT
		command: "perl -e 'syscall(227, 0, 1); exit($! == 1)'"},
	{setting: "ProtectHostname", without: "SystemCallFilter CapabilityBoundingSet", asRoot: true,
		command: "hostname $(hostname)"},
	{setting: "ProtectKernelLogs", without: "ProcSubset", command: "test $(stat -c %a /proc/kmsg) != 0"},
	{setting: "ProtectKernelModules", command: "ls /usr/lib/modules/of-somebody-else"},
	{setting: "ProtectKernelTunables", without: "ProcSubset CapabilityBoundingSet", asRoot: true,
		command: "cd /proc/sys/net/ipv4 && cat ip_forward >ip_forward"},
	{setting: "ProtectControlGroups", asRoot: true, command: "d=/sys/fs/cgroup/systemd/probe-unit; mkdir $d && rmdir $d"},
	{setting: "RemoveIPC", command: "perl -e 'exit(!defined(msgget(7, 01666)))'", after: queueIsThere},
	{setting: "CapabilityBoundingSet", without: "SystemCallFilter", asRoot: true, command: "touch /tmp/probe; chown 1 /tmp/probe"},
	// Below 1024, a port needs a capability.
	{setting: "AmbientCapabilities",
		command: "perl -MSocket -e 'socket(my $s, 2, 1, 0); exit(bind($s, sockaddr_in(81, INADDR_LOOPBACK)))'"},
	{setting: "NoNewPrivileges", without: noNewPrivileges, command: "test $(/usr/local/bin/as-root -u) = 0"},
	// AF_PACKET: the error is EAFNOSUPPORT with the restriction, else EPERM.
	{setting: "RestrictAddressFamilies", command: "perl -e 'socket(my $s, 17, 3, 0); exit($! == 97)'"},
	{setting: "RestrictNamespaces", without: "SystemCallFilter", command: "unshare -U true"},
	{setting: "RestrictRealtime", without: "SystemCallFilter CapabilityBoundingSet", asRoot: true, command: "chrt -f 1 true"},
	{setting: "RestrictSUIDSGID", command: "touch /tmp/probe && chmod u+s /tmp/probe"},
	{setting: "SystemCallFilter", command: "perl -e 'setpriority(0, 0, 19) or exit 1'"},
	{setting: "SystemCallErrorNumber", command: "! perl -e 'setpriority(0, 0, 19)'"}, // without it, it is killed
	{setting: "SystemCallArchitectures", command: "/usr/local/bin/foreign"},
	{setting: "MemoryDenyWriteExecute", command: "perl -e 'exit(syscall(9, 0, 4096, 7, 34, -1, 0) == -1)'"}, // mmap
	{setting: "LockPersonality", command: "setarch -R true"},
	{setting: "UMask", command: "touch /tmp/probe && test $(stat -c %a /tmp/probe) != 600"},
	{setting: "User", command: "test -r /etc/shadow"},
	{setting: "SupplementaryGroups", command: "! id -nG | grep -qw dialout"},
	{setting: "StateDirectory", command: "! touch /var/lib/clearback/probe"},
	{setting: "LimitNOFILE", raises: true, command: "test $(ulimit -n) != 524288"},
	{setting: "LimitRTPRIO", raises: true, command: "test $(ulimit -r) != 10"},
	{setting: "LimitMEMLOCK", raises: true, command: "test $(ulimit -l) != unlimited"},
	{setting: "CPUSchedulingPolicy", without: "CPUSchedulingPriority",
		command: "perl -e 'exit(syscall(145, 0) == 1)'"}, // SCHED_FIFO
	{setting: "CPUSchedulingPriority",
		command: `perl -e '$p = "\0" x 4; syscall(143, 0, $p); exit(unpack("i", $p) == 10)'`},
	{setting: "OOMScoreAdjust", raises: true, command: "test $(cat /proc/self/oom_score_adj) != -900"},
	{setting: "MemoryMax", command: `perl -e '$s = "x" x (80 << 20)'`},
	{setting: "TasksMax", command: "perl -e 'for (1 .. 150) { defined(my $p = fork) or exit 1; $p or sleep }'"},
}

// restrictions runs each command under the daemon's unit and under the agent's, with and without the setting.
func restrictions(t *testing.T, b *box) {
	if hostArch(t) != "amd64" {
		t.Skip("the numbers of system calls are those of amd64")
	}
	host(t, "bash", "testdata/box.sh", "limits", b.root)
	b.must(t, "systemctl stop clearback clearback-relay") // RemoveIPC acts when the user's last unit ends
	mounts := b.must(t, "touch /tmp/of-somebody-else /dev/of-somebody-else && mkdir -p /usr/lib/modules/of-somebody-else && "+
		"install -m 4755 /usr/bin/id /usr/local/bin/as-root && mknod /dev/ttyS9 c 4 73 && readlink /proc/1/ns/mnt")
	host(t, "env", "GOARCH=386", "CGO_ENABLED=0", "go", "build", "-o", filepath.Join(b.root, "usr/local/bin/foreign"),
		"testdata/foreign.go")
	for _, name := range []string{"clearback", "clearback-relay"} {
		t.Run(name, func(t *testing.T) { b.restrictionsOf(t, name, mounts) })
	}
	b.must(t, "rm -r /etc/systemd/system/probe-* /usr/lib/modules/of-somebody-else /usr/local/bin/as-root "+
		"/usr/local/bin/foreign && systemctl daemon-reload && systemctl start clearback-relay clearback")
	b.serves(t)
}

// restrictionsOf checks the restrictions of one unit. It has to have a restriction for each of its settings.
func (b *box) restrictionsOf(t *testing.T, name, mounts string) {
	unit, err := os.ReadFile(filepath.Join(b.root, "usr/lib/systemd/system", name+".service"))
	if err != nil {
		t.Fatal(err)
	}
	settings := map[string]bool{}
	_, service, _ := strings.Cut(string(unit), "\n[Service]\n")
	service, _, _ = strings.Cut(service, "\n[Install]\n")
	for line := range strings.Lines(service) {
		if m := unitLine.FindStringSubmatch(line); m != nil && !slices.Contains(strings.Fields(noRestrictions), m[1]) {
			settings[m[1]] = false
		}
	}
	capabilities, err := strconv.ParseUint(b.must(t, "sed -n 's/^CapBnd:\\s*//p' /proc/1/status"), 16, 64)
	if err != nil {
		t.Fatal(err)
	}
	mayRaise := capabilities&(1<<24) != 0
	_, runsForeign := b.try("/usr/local/bin/foreign")
	probe := func(r restriction, lifted bool) string { return fmt.Sprintf("probe-%s-%v", r.setting, lifted) }
	var shown []restriction
	for _, r := range unitRestrictions {
		if _, has := settings[r.setting]; !has {
			continue
		}
		settings[r.setting] = true
		if r.raises && !mayRaise {
			t.Logf("%s= is not shown: this machine has no CAP_SYS_RESOURCE", r.setting)
			continue
		}
		if r.command == "/usr/local/bin/foreign" && !runsForeign {
			t.Logf("%s= is not shown: the kernel runs no i386 programs", r.setting)
			continue
		}
		shown = append(shown, r)
		for _, lifted := range []bool{false, true} {
			without := slices.DeleteFunc(strings.Fields(r.without), func(s string) bool { return s == r.setting })
			if lifted {
				without = append(without, r.setting)
			}
			b.write(t, "/etc/systemd/system/"+probe(r, lifted)+".service", probeUnit(string(unit), without, r.asRoot,
				strings.ReplaceAll(r.command, "MOUNTS", mounts)), 0o644)
		}
	}
	for setting, has := range settings {
		if !has {
			t.Errorf("no restriction shows what %s= of %s.service does", setting, name)
		}
	}
	b.must(t, "systemctl daemon-reload")
	for _, r := range shown {
		for _, lifted := range []bool{false, true} {
			out, ok := b.try("systemctl start " + probe(r, lifted))
			if r.after != "" {
				out, ok = b.try(r.after)
			}
			if ok != lifted {
				t.Errorf("%s: %s: allowed %v without this setting: %v; %s", r.setting, r.command, ok, lifted,
					out+"\n"+b.must(t, "journalctl -o cat --no-pager -n 8 -u "+probe(r, lifted)))
			}
		}
	}
}

// probeUnit returns a unit that runs a command once, with the settings of unit except those that are lifted.
func probeUnit(unit string, lifted []string, asRoot bool, command string) string {
	without := map[string]bool{"User": asRoot, "Wants": true, "After": true}
	for _, s := range append(strings.Fields(noRestrictions), lifted...) {
		without[s] = true
	}
	without["Group"], without["StateDirectoryMode"] = asRoot, false
	var text strings.Builder
	for line := range strings.Lines(unit) {
		m := unitLine.FindStringSubmatch(line)
		if m != nil && without[m[1]] || strings.HasPrefix(line, "#") {
			continue
		}
		if strings.HasPrefix(line, "[Install]") {
			break
		}
		text.WriteString(line)
	}
	return text.String() + "Type=oneshot\nTimeoutStartSec=20s\nExecStart=/bin/sh -c " +
		quote(strings.ReplaceAll(command, "$", "$$")) + "\n"
}

// quote quotes a word for a unit file (systemd.service(5), "Command lines").
func quote(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "%", "%%").Replace(s) + `"`
}
