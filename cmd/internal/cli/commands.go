package cli

import "github.com/spf13/pflag"

// command is one subcommand: its place in the help, its texts and its function. The help, the man pages and the
// completion are generated from this type alone.
type command struct {
	group string
	name  string
	// operands are the operands after the name, as the help shows them. They also select the completion: see
	// [candidates].
	operands string
	// short is a phrase without a full stop; more, if any, are whole sentences.
	short, more string
	example     string
	// setup defines the flags and returns the action that runs after the flags are parsed. The action gets at most as
	// many operands as operands has words.
	setup  func(f *pflag.FlagSet) action
	hidden bool
}

// action runs a subcommand and returns the exit code.
type action func(e *env, operands []string) int

// The groups of the help, in its order.
const (
	groupServe  = "Serve the lines"
	groupLook   = "See what happens"
	groupAdjust = "Set up a line"
	groupTry    = "Try it out"
	groupOther  = "Other"
)

func commands() []command {
	return []command{
		{
			group: groupServe, name: "run", setup: run,
			short:   "Serve the lines until a signal ends it",
			more:    "On SIGINT or SIGTERM it ends the calls and closes every contact. A second signal ends it at once. On SIGHUP it loads its file again; in a terminal SIGHUP ends it too.",
			example: "clearback run --config /etc/clearback/clearback.yaml",
		},
		{
			group: groupServe, name: "reload", setup: reload,
			short:   "Load the changed file into the running daemon",
			more:    "A line is changed once it is idle; other lines are not touched. A file with faults changes nothing.",
			example: "clearback reload",
		},
		{
			group: groupServe, name: "relay", setup: relayAgent,
			short:   "Control contacts here for a daemon on another machine",
			more:    "It reads a file of its own; deploy/relay.yaml shows every key.",
			example: "clearback relay --config /etc/clearback/relay.yaml",
		},
		{
			group: groupServe, name: "close", setup: closeContacts,
			short:   "Close every contact and exit",
			more:    "A service manager runs this when the daemon has ended, however it ended.",
			example: "clearback close --within 1s",
		},
		{
			group: groupLook, name: "lines", setup: lines,
			short:   "Show what each line is doing now",
			more:    "It asks the running daemon.",
			example: "clearback lines --wide",
		},
		{
			group: groupLook, name: "calls", operands: "[LINE]", setup: calls,
			short:   "List the recorded calls",
			more:    "It reads the journal; the daemon need not be running.",
			example: "clearback calls box-office --since 2d --failed",
		},
		{
			group: groupLook, name: "explain", operands: "CALL|LINE|last", setup: explain,
			short:   "Show a call's time line and why it ended as it did",
			more:    "Name the call by its number, by its line for the last call there, or by the word last.",
			example: "clearback explain box-office",
		},
		{
			group: groupAdjust, name: "setup", setup: setUp,
			short:   "Ask about the first line, try it, and write the file",
			more:    "It proves each answer on the network before the next question, makes no call, and continues where it stopped.",
			example: "clearback setup",
		},
		{
			group: groupAdjust, name: "check", operands: "[FILE]", setup: check,
			short:   "Check a configuration file; --live tries the lines",
			more:    "Without --live it needs no hardware. With --live it registers, so the daemon must not be running. With --live --second and with --restart it asks the running daemon.",
			example: "clearback check --live /etc/clearback/clearback.yaml",
		},
		{
			group: groupAdjust, name: "alarm", operands: "[WAY]", setup: tryAlarms,
			short:   "Send a test alarm, or watch the daemon (--watch)",
			more:    "It needs no daemon. It fails if a way does not accept the message. clearback-watch.timer runs it with --watch.",
			example: "clearback alarm --test",
		},
		{
			group: groupAdjust, name: "window", operands: "[LINE]", setup: showWindow,
			short:   "Show which intervals are possible on a line, and why",
			example: "clearback window box-office",
		},
		{
			group: groupAdjust, name: "tune", operands: "LINE", setup: tune,
			short:   "Find the interval of a line by trials",
			more:    "The running daemon calls the line again and again; somebody answers, holds the call and watches the lamp.",
			example: "clearback tune box-office --write",
		},
		{
			group: groupAdjust, name: "keep", operands: "LINE", setup: saveInterval,
			short:   "Write the interval that a line now uses into the file",
			more:    "After a hold that did not clear, the daemon uses a longer interval. This makes it permanent.",
			example: "clearback keep box-office --dry-run",
		},
		{
			group: groupAdjust, name: "pulse", operands: "LINE", setup: pulse,
			short:   "Open the loop of an idle line once",
			more:    "It asks the running daemon, which refuses while a call is on the line.",
			example: "clearback pulse box-office --interval 700ms",
		},
		{
			group: groupAdjust, name: "backup", operands: "FILE", setup: makeBackup,
			short:   "Save the configuration and the journal in one file",
			more:    "The daemon may be running. What the lines have learnt is in the journal. No file is replaced.",
			example: "clearback backup /root/clearback.backup",
		},
		{
			group: groupAdjust, name: "restore", operands: "FILE", setup: restoreBackup,
			short:   "Put the files of a backup back in their places",
			more:    "Stop the daemon first. What is replaced is kept beside the new file.",
			example: "clearback restore /root/clearback.backup",
		},
		{
			group: groupTry, name: "rehearse", setup: rehearse,
			short:   "Play the main job on this machine, without hardware",
			more:    "Everything but the daemon is simulated, on loopback addresses.",
			example: "clearback rehearse --scene held-call",
		},
		{
			group: groupOther, name: "completion", operands: "bash|zsh|fish", setup: completion,
			short:   "Print the completion script of a shell",
			more:    "The script of bash needs the package bash-completion.",
			example: "source <(clearback completion bash)",
		},
		{
			group: groupOther, name: "help", operands: "[COMMAND]", setup: helpOn,
			short:   "Show the help of a command",
			example: "clearback help tune",
		},
		{
			group: groupOther, name: "version", setup: version,
			short:   "Show the version",
			example: "clearback version",
		},
		{
			group: groupOther, name: "backup-task", operands: "TASK", setup: backupTask, hidden: true,
			short:   "Do a part of backup or restore with the daemon's rights",
			more:    "If root runs backup or restore, they run this.",
			example: `clearback backup-task '{"Do":"copy","Path":"/var/lib/clearback/journal.db"}'`,
		},
		{
			group: groupOther, name: "man", operands: "DIR", setup: manPages, hidden: true,
			short:   "Write the man pages into a directory",
			more:    "Packaging runs this. Their date is that of the commit.",
			example: "clearback man share/man/man1",
		},
	}
}
