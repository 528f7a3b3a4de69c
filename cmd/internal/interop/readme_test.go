//go:build linux

package interop

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// readmeCommands returns the commands `clearback check` and `clearback run` of README's installation, in their order,
// as arguments.
func readmeCommands(t *testing.T) (all [][]string) {
	t.Helper()
	text, err := os.ReadFile("../../../README.md")
	require.NoError(t, err)
	_, section, _ := strings.Cut(string(text), "\n## Install it\n")
	section, _, _ = strings.Cut(section, "\n## ")
	require.Contains(t, section, "`sudo clearback setup`")
	for _, m := range regexp.MustCompile("`clearback ((?:check|run) [^`]*)`").FindAllStringSubmatch(section, -1) {
		all = append(all, strings.Fields(m[1]))
	}
	return all
}

// setupCommands returns the commands that setup names at its end, as arguments.
func setupCommands(t *testing.T, output string) (all [][]string) {
	t.Helper()
	_, next, found := strings.Cut(output, "\nNext, in this order,")
	require.True(t, found, output)
	for _, m := range regexp.MustCompile(`(?m)^  clearback (.*)$`).FindAllStringSubmatch(next, -1) {
		all = append(all, strings.Fields(m[1]))
	}
	return all
}

// TestReadmesPath follows README from setup to a held call that clears, word for word: the commands that setup names at
// its end, after those that README names for somebody who writes the file by hand. The service is kamailio, the
// adapter and the far end are baresip, and the board is one on libmodbus that times its openings. (The tests of
// deploy/packages with -container install the package.)
func TestReadmesPath(t *testing.T) {
	t.Parallel()
	need(t, "baresip")
	first := freePorts(t, 40)
	r := &testBed{t: t, dir: t.TempDir(), adapterPort: first, servicePort: first + 10, far: first + 20}
	require.NoError(t, os.Chmod(r.dir, 0o700))
	secret := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(secret, []byte(password+"\n"), 0o600))
	r.board = newBoard(t, "--timed", "16,0,100")
	service := startKamailio(r, "MD5")
	run := func(args ...string) *programtest.Process {
		c := exec.Command(built.daemon, args...)
		c.Dir = r.dir
		c.Stdin = strings.NewReader("yes\n")
		return programtest.Start(t, c)
	}
	adapters := 0
	// adapter starts a telephone in the adapter's place once the daemon listens.
	adapter := func() *baresip {
		eventually(t, 10*time.Second, "the daemon listens", func() bool { return bound("udp", r.adapterPort) })
		adapters++
		return r.startPhone(fmt.Sprintf("adapter-%d", adapters),
			fmt.Sprintf("<sip:box-office@%s>;auth_user=box-office;auth_pass=%s;regint=60;answermode=auto;audio_codecs=pcmu",
				at(r.adapterPort), password))
	}
	good := func(p *programtest.Process, limit time.Duration) {
		t.Helper()
		require.Zero(t, p.ExitCode(t, limit), p.Output())
	}

	p := run("setup", "--config", "clearback.yaml", "--batch", "--country", "GB", "--server", at(r.far), "--address",
		at(r.adapterPort), "--line", "box-office", "--user", "5550101", "--password-file", secret,
		"--adapter-password-file", secret, "--relay", fmt.Sprintf("127.0.0.1:%d", r.board.port), "--contact", "0",
		"--timed", "16")
	p.Await(t, "Waiting at most", 20*time.Second)
	phone := adapter()
	good(p, 20*time.Second)
	phone.Kill()
	require.Empty(t, r.board.openings(t, 0))

	byHand, next := readmeCommands(t), setupCommands(t, p.Output())
	require.Len(t, byHand, 4)
	require.Len(t, next, 2)
	require.Equal(t, byHand[3], next[1], "run")
	good(run(byHand[0]...), 20*time.Second)               // check
	for _, live := range [][]string{byHand[1], next[0]} { // check --live, and with --pulse
		p := run(live...)
		phone := adapter()
		good(p, 60*time.Second)
		phone.Kill()
	}
	require.Len(t, r.board.openings(t, 0), 1, "the pulse")

	daemon := run(next[1]...)
	phone = adapter()
	far := r.startPhone("telephone", fmt.Sprintf("<sip:5550110@%s>;regint=60;audio_codecs=pcmu", at(r.far)))
	far.do("dial", "5550101")
	far.event("CALL_ESTABLISHED")
	phone.event("CALL_ESTABLISHED")
	phone.do("hold", "")
	service.await("the far end answers the hold; if it hung up first, its 481 would end the adapter's call", true,
		"SIP/2.0 200", "2 INVITE")
	far.do("hangup", "")
	phone.event("CALL_CLOSED")
	eventually(t, 10*time.Second, "the loop was opened and closed", func() bool {
		all := r.board.openings(t, 0)
		return len(all) == 2 && !all[1].end.IsZero()
	})
	requireInterval(t, usual, r.board.openings(t, 0)[1])
	require.True(t, daemon.Stop(10*time.Second))
}
