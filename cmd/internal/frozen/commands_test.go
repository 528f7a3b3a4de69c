package frozen

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
	"clearback/cmd/internal/cli"
)

// commands are all commands, as the user types them.
var commands = []string{
	"run", "reload", "check", "lines", "calls", "explain", "alarm", "window", "tune", "keep", "pulse", "backup",
	"restore", "rehearse", "close",
	"relay", "setup", "version",
}

// flagLine matches a flag in the help of a command. The second group matches if the flag takes a value.
var flagLine = regexp.MustCompile(`(?m)^ +(?:-\w, )?--?([a-z][a-z-]+)( \S)?`)

// TestFlags compares the flags of every command, and whether each takes a value. Their descriptions may change.
func TestFlags(t *testing.T) {
	var tr transcript
	for _, command := range commands {
		code, out, errs := run(command, "-h")
		require.Equal(t, cli.ExitOK, code, command)
		var all []string
		for _, m := range flagLine.FindAllStringSubmatch(out+errs, -1) {
			switch {
			case m[1] == "help":
			case m[2] != "":
				all = append(all, "--"+m[1]+" VALUE")
			default:
				all = append(all, "--"+m[1])
			}
		}
		slices.Sort(all)
		tr.printf("%s\n", strings.Join(append([]string{command}, all...), " "))
	}
	compare(t, "flags.txt", tr.String())
}

// playhouse is a configuration with one line. Nothing listens at the port of its board (RFC 1078, long unused).
const playhouse = `country: GB
sip: {adapter_side: {listen: "127.0.0.1:5060"}, service_side: {listen: "127.0.0.1:5070"}}
controllers: [{name: relays, driver: modbus, modbus: {address: "127.0.0.1:1"}}]
control: {socket: /run/clearback/not-there}
journal: {file: none}
lines:
  - name: box-office
    adapter: {user: box-office, contact: "sip:192.0.2.21"}
    service: {registrar: "sip:192.0.2.5", user: 555-0101, register: false}
    contact: {driver: modbus, controller: relays, coil: 0, accept_open_if_daemon_dies: true}
`

// relays is a configuration file of the agent.
const relays = "listen: 127.0.0.1:1502\nallow_from: [192.0.2.10]\ncontacts: [{name: box-office, simulated: {}}]\n"

// TestExitCodes compares the exit codes of commands. Commands that need a daemon, or minutes, are tested beside their
// code by the names of the codes. The file ends with the codes' values.
func TestExitCodes(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	write("clearback.yaml", playhouse)
	write("no-contact.yaml", strings.Replace(playhouse,
		"{driver: modbus, controller: relays, coil: 0, accept_open_if_daemon_dies: true}", "{driver: none}", 1))
	write("faults.yaml", strings.Replace(playhouse, "coil", "coyl", 1))
	write("relay.yaml", relays)
	write("relay-faults.yaml", strings.Replace(relays, "simulated", "stimulated", 1))
	loadJournal(t, filepath.Join(dir, "journal.db"), "5c7dd4f")
	// This brings the file up to date.
	require.NoError(t, journal.SaveTrust(filepath.Join(dir, "journal.db"), "workshop", journal.Trust{At: evening}))
	t.Setenv("CLEARBACK_CONFIG", filepath.Join(dir, "clearback.yaml"))

	var tr transcript
	for line := range strings.Lines(exits) {
		line = strings.TrimSpace(line)
		args := strings.Fields(line)
		for i, a := range args {
			if strings.HasSuffix(a, ".yaml") || strings.HasSuffix(a, ".db") {
				args[i] = filepath.Join(dir, a)
			}
		}
		code, _, errs := run(args...)
		require.NotContains(t, errs, "panic")
		tr.printf("%d clearback %s\n", code, line)
	}
	tr.printf("\n%d ok\n%d failed\n%d faults\n%d not closed\n%d faulty file\n",
		cli.ExitOK, cli.ExitFailed, cli.ExitFaults, cli.ExitNotClosed, cli.ExitFaultyFile)
	compare(t, "exitcodes.txt", tr.String())
}

const exits = `help
-h
--help
hepl
version
version more
run --config missing.yaml
run --config faults.yaml
run --loudly
run more
reload
reload --config faults.yaml
reload --config missing.yaml
reload more
check
check clearback.yaml
check faults.yaml
check missing.yaml
check --pulse box-office clearback.yaml
check --second box-office clearback.yaml
check --live --second box-office clearback.yaml
check --live --second foyer clearback.yaml
check --live --second box-office --pulse box-office clearback.yaml
lines
lines more
lines --config faults.yaml
lines --config missing.yaml
calls
calls --journal journal.db
calls --journal missing.db
calls --journal journal.db --json --csv
calls --journal journal.db --limit -1
calls --journal journal.db --limit many
calls --journal journal.db --since yesterday
calls --journal journal.db box-office
calls --journal journal.db foyer
explain
explain last
explain --journal journal.db
explain --journal journal.db last
explain --journal journal.db box-office
explain --journal journal.db foyer
explain --journal journal.db 4711
window
window box-office
window foyer
tune
tune foyer
tune box-office
keep
keep foyer
keep box-office
pulse
pulse foyer
pulse box-office
pulse box-office --interval -1s
pulse box-office --interval 5
backup
backup new.db
backup new.db
backup new.db --config faults.yaml
backup new.db --config missing.yaml
restore
restore new.db
restore clearback.yaml
restore missing.db
rehearse --list
rehearse --scene curtain
rehearse more
close --within 30ms
close --within 0s
close --config no-contact.yaml
close --config missing.yaml
relay
relay --config missing.yaml
relay --config relay-faults.yaml
relay --config relay.yaml --check
relay --config relay.yaml --check --close
relay --config relay.yaml --close
relay --config relay.yaml --close --within 0s
`
