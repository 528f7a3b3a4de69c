package debian

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// readme is what README tells a user to type.
type readme struct {
	file     string   // the configuration file
	commands []string // those that this test has not run yet, in README's order
}

var (
	fenced  = regexp.MustCompile("(?s) *```(\\w*)\n(.*?) *```\n")
	inline  = regexp.MustCompile("`([^`]+)`")
	command = regexp.MustCompile(`^(?:sudo|go|clearback|export|systemctl|apt|dpkg) `)
	// elsewhere matches commands that other tests run: those of a user without packages, and tune, which asks about a
	// lamp.
	elsewhere = regexp.MustCompile(`^(?:go build|go run \./cmd/clearback|export|clearback (?:run|relay|tune|backup|restore|help))\b`)
)

// readReadme reads the commands and the configuration file in those parts of README that a new user follows.
func readReadme(t *testing.T) *readme {
	t.Helper()
	text, err := os.ReadFile("../../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var followed string
	for _, heading := range []string{"Install it", "Day to day"} {
		_, part, found := strings.Cut(string(text), "\n## "+heading+"\n")
		if !found {
			t.Fatalf("README has no part %q", heading)
		}
		part, _, _ = strings.Cut(part, "\n## ")
		followed += part
	}
	blocks := fenced.FindAllStringSubmatch(followed, -1)
	if len(blocks) != 1 || blocks[0][1] != "yaml" {
		t.Fatalf("README's path has these blocks: %q; this test follows one, the configuration file", blocks)
	}
	r := &readme{file: strings.ReplaceAll("\n"+blocks[0][2], "\n   ", "\n")}
	prose := strings.Join(strings.Fields(fenced.ReplaceAllString(followed, "")), " ")
	for _, m := range inline.FindAllStringSubmatch(prose, -1) {
		if command.MatchString(m[1]) && !elsewhere.MatchString(m[1]) {
			r.commands = append(r.commands, m[1])
		}
	}
	return r
}

// next returns README's next command. It has to begin with those words.
func (r *readme) next(t *testing.T, begin string) string {
	t.Helper()
	if len(r.commands) == 0 || !strings.HasPrefix(r.commands[0], begin) {
		t.Fatalf("README's next commands are %q; this test would run %s", r.commands, begin)
	}
	next := r.commands[0]
	r.commands = r.commands[1:]
	return next
}

// inPrivateTmp runs a command ($3) in the repository ($2) with a folder ($1) as its /tmp, in which the repository keeps
// its place if it is below /tmp.
const inPrivateTmp = `set -e
case $2 in /tmp/*)
	mkdir -p "$1/${2#/tmp/}"
	mount --bind "$2" "$1/${2#/tmp/}" ;;
esac
mount --rbind "$1" /tmp
cd "$2"
exec bash -c "$3"`

// readmePath follows README as a user of the packages does, from making the packages to a held call that clears, with
// the file that setup writes and then with README's own. The board, the adapter (baresip), the PBX (kamailio) and the
// telephone behind it (baresip) are programs of this machine in the container's network. The container has neither sudo
// nor these addresses, so it gets them.
func readmePath(t *testing.T, b *box) {
	if hostArch(t) != "amd64" {
		t.Skip("README installs the packages for amd64")
	}
	r := readReadme(t)
	b.makePackages(t, r.next(t, "go -C deploy/packages run . "))
	b.write(t, "/usr/local/bin/sudo", "#!/bin/sh\nexec \"$@\"\n", 0o755)
	contains(t, b.typed(t, r.next(t, "sudo apt install ")), "systemctl start clearback")

	b.must(t, "for n in 10 20 30 40 50; do ip address add 192.0.2.$n/32 dev lo; done; "+
		"echo 192.0.2.40 pbx.millrace.example >>/etc/hosts")
	board := b.playhouse(t)

	// live types a command for which the adapter registers anew.
	live := func(command string, answers []string, says ...string) {
		t.Helper()
		b.must(t, "rm -f /root/said")
		var out string
		var ok bool
		var typing sync.WaitGroup
		typing.Go(func() { out, ok = b.types(t, command, answers...) })
		b.await(t, "grep -qi 'waiting at most' /root/said && ss -Hlun src 192.0.2.10:5060 | grep -q .")
		adapter := b.adapter(t)
		typing.Wait()
		adapter.stop()
		if !ok {
			t.Fatalf("%s: %s", command, out)
		}
		contains(t, out, says...)
	}
	live(r.next(t, "sudo clearback setup"), []string{"GB", "pbx.millrace.example", "192.0.2.10", "box-office",
		"5550101", "curtain", "curtain", "192.0.2.30", "0", "16"}, "systemctl enable --now clearback")
	b.must(t, "clearback check && rm /etc/clearback/secrets/* /etc/clearback/clearback.yaml")

	b.write(t, "/etc/clearback/clearback.yaml", r.file, 0o644)
	for _, m := range regexp.MustCompile(`credential: ([\w-]+)`).FindAllStringSubmatch(r.file, -1) {
		b.write(t, "/etc/clearback/secrets/"+m[1], "curtain\n", 0o600)
	}
	contains(t, b.typed(t, r.next(t, "clearback check ")), "no faults")
	live(r.next(t, "clearback check --live "), nil, "registered until", "200 from 192.0.2.20:5060", "reads closed")
	live(r.next(t, "clearback check --live --pulse "), []string{"yes"}, "Type yes: ", "loop-opened",
		"contact now: reads closed")
	board.opened(t, 1)

	b.typed(t, r.next(t, "sudo systemctl start "))
	b.typed(t, r.next(t, "clearback reload"))
	_, far := b.heldCall(t)
	hungUp := time.Now()
	far.types(t, "/hangup")
	board.opened(t, 2)
	if took := time.Since(hungUp); took > 4*time.Second {
		t.Errorf("the loop was closed again %v after the far end had hung up; README says about 2 s", took)
	}
	b.await(t, "clearback explain last | grep -q 'result of the interruption'")
	contains(t, b.typed(t, r.next(t, "clearback lines")), "registered", "192.0.2.20:5060", "closed")
	if out := b.typed(t, r.next(t, "clearback calls --failed ")); strings.Contains(out, "5550110") {
		t.Errorf("the call is among those that failed:\n%s", out)
	}
	contains(t, b.typed(t, r.next(t, "clearback explain ")), "BYE: the far end cleared",
		"tells the contact to open for 800 ms", "the loop is closed; the board confirmed ",
		"Nothing needs to be done if the lamp is dark")
	contains(t, b.typed(t, r.next(t, "clearback pulse ")), "(asked 800 ms)")
	board.opened(t, 3)
	contains(t, b.typed(t, r.next(t, "clearback close")), "every contact is closed")
	if len(r.commands) > 0 {
		t.Errorf("this test does not run README's commands %q", r.commands)
	}
}

// playhouse starts the board of README's file, and the PBX.
func (b *box) playhouse(t *testing.T) (board *device) {
	t.Helper()
	for program, debianPackage := range map[string]string{"kamailio": "kamailio", "baresip": "baresip-core",
		"pkg-config": "gcc libc6-dev pkg-config libmodbus-dev"} {
		need(t, program, debianPackage)
	}
	board = b.device(t, buildBoard(t), "--stdin", "--timed", "16,0,100", "192.0.2.30", "502")
	b.device(t, "kamailio", "-DD", "-E", "-m", "16", "-M", "2", "-f", "testdata/pbx.cfg", "-Y", t.TempDir(), "-P",
		filepath.Join(t.TempDir(), "pid"))
	board.await(t, "listen")
	b.await(t, "ss -Hlun src 192.0.2.40:5060 | grep -q .")
	return board
}

// heldCall starts the adapter and the telephone behind the PBX, calls the line and holds the call.
func (b *box) heldCall(t *testing.T) (adapter, far *device) {
	t.Helper()
	b.await(t, "ss -Hlun src 192.0.2.10:5060 | grep -q .")
	adapter = b.adapter(t)
	adapter.await(t, "200 OK")
	far = b.phone(t, "192.0.2.50", "<sip:5550110@192.0.2.40>;regint=0;audio_codecs=pcmu")
	far.await(t, "baresip is ready")
	far.types(t, "/dial sip:5550101@192.0.2.40")
	far.await(t, "Call established")
	adapter.await(t, "Call established")
	adapter.types(t, "/hold")
	adapter.await(t, "(?s)call: hold .*stream: update 'audio'") // the far end has agreed
	return adapter, far
}

// types types a command of README at a shell in the container, as root in /etc/clearback, and then answers.
func (b *box) types(t *testing.T, command string, answers ...string) (out string, ok bool) {
	t.Helper()
	b.write(t, "/root/typed", command+"\n", 0o600)
	b.write(t, "/root/answers", strings.Join(answers, "\n")+"\n", 0o600)
	_, ok = b.try("cd /etc/clearback; bash /root/typed </root/answers >/root/said 2>&1")
	said, err := os.ReadFile(filepath.Join(b.root, "root/said"))
	if err != nil {
		t.Error(err)
	}
	return string(said), ok
}

// typed types a command that has to succeed and asks nothing.
func (b *box) typed(t *testing.T, command string) string {
	t.Helper()
	out, ok := b.types(t, command)
	if !ok {
		t.Fatalf("%s: %s", command, out)
	}
	return out
}

// makePackages runs README's command that writes packages to /tmp, and moves them into the container's /tmp.
func (b *box) makePackages(t *testing.T, command string) {
	t.Helper()
	repository, err := filepath.Abs("../../..")
	if err != nil {
		t.Fatal(err)
	}
	tmp := t.TempDir()
	host(t, "unshare", "-m", "sh", "-c", inPrivateTmp, "sh", tmp, repository, command)
	made, err := filepath.Glob(filepath.Join(tmp, "*.deb"))
	if err != nil {
		t.Fatal(err)
	}
	host(t, append([]string{"cp", "-t", filepath.Join(b.root, "var/cache")}, made...)...)
	b.must(t, "mv /var/cache/*.deb /tmp/")
}

// buildBoard compiles the main module's relay board on libmodbus and returns its path.
func buildBoard(t *testing.T) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "board")
	host(t, "sh", "-c", `cc -O2 -o "$1" "$2" $(pkg-config --cflags --libs libmodbus)`, "sh", program,
		"../../../bridge/relay/modbus/modbustest/testdata/board.c")
	return program
}

// device is a program of this machine in the container's network.
type device struct {
	cmd *exec.Cmd
	in  io.Writer

	mu  sync.Mutex
	out bytes.Buffer
}

// Write adds to the program's output.
func (d *device) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.out.Write(p)
}

func (d *device) text() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.out.String()
}

// device starts a program that ends with the test.
func (b *box) device(t *testing.T, program ...string) *device {
	t.Helper()
	d := &device{cmd: exec.Command("bash", append([]string{"testdata/box.sh", "outside", b.root}, program...)...)}
	d.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // kamailio starts several processes
	d.cmd.Stdout, d.cmd.Stderr = d, d
	var err error
	if d.in, err = d.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		d.stop()
		if t.Failed() {
			t.Logf("%s:\n%s", program[0], d.text())
		}
	})
	return d
}

func (d *device) stop() {
	if d.cmd.ProcessState == nil {
		_ = syscall.Kill(-d.cmd.Process.Pid, syscall.SIGKILL) // it may have ended
		_ = d.cmd.Wait()                                      // killed
	}
}

// await waits until the program has written a match, and returns all matches with their groups.
func (d *device) await(t *testing.T, pattern string) [][]string {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	expression := regexp.MustCompile(pattern)
	for limit := time.Now().Add(30 * time.Second); ; <-tick.C {
		if all := expression.FindAllStringSubmatch(d.text(), -1); all != nil {
			return all
		}
		if time.Now().After(limit) {
			t.Fatalf("%s: no %s within 30 s", d.cmd.Args[3:], pattern)
		}
	}
}

// types types a command at a telephone.
func (d *device) types(t *testing.T, command string) {
	t.Helper()
	if _, err := io.WriteString(d.in, command+"\n"); err != nil {
		t.Fatal(err)
	}
}

// phone starts baresip with an account in its own format.
func (b *box) phone(t *testing.T, address, account string) *device {
	t.Helper()
	dir := t.TempDir()
	config, err := os.ReadFile("testdata/phone.conf")
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"config": strings.ReplaceAll(string(config), "ADDRESS", address),
		"accounts": account + "\n", "contacts": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return b.device(t, "baresip", "-f", dir)
}

// adapter starts the adapter, which registers at once.
func (b *box) adapter(t *testing.T) *device {
	t.Helper()
	return b.phone(t, "192.0.2.20", "<sip:box-office@192.0.2.10>;auth_user=box-office;auth_pass=curtain;regint=60;"+
		"answermode=auto;audio_codecs=pcmu")
}

// opened waits until the board's coil has been on that often. The last time has to be the interval of README's file.
func (d *device) opened(t *testing.T, times int) {
	t.Helper()
	pattern := strings.Repeat(`(\d+),coil,\d+,1,\d+,0,1\n.*?(\d+),coil,\d+,1,\d+,0,0\n.*?`, times)
	m := d.await(t, "(?s)^.*?"+pattern)[0]
	on, _ := strconv.Atoi(m[len(m)-2])
	off, _ := strconv.Atoi(m[len(m)-1])
	if open := time.Duration(off-on) * time.Microsecond; open < 800*time.Millisecond || open > 1200*time.Millisecond {
		t.Errorf("opening %d took %v; README's file says 800 ms", times, open)
	}
}
