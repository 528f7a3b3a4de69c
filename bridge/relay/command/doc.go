// Package command drives a contact with a program of the user's own, for hardware that the other drivers do not
// support.
//
// # The contract
//
// The program is started once for each request, by its absolute path and with the arguments of the configuration. No
// shell interprets them. In the arguments these words are replaced, and everything else is passed unchanged:
//
//	{action}  what to do: open, close, read or sense
//	{line}    the name of the line
//	{ms}      open: how long the loop is to stay open, in whole milliseconds; otherwise 0
//	{seq}     open: the number of the opening, which rises with each opening while the daemon runs; otherwise 0
//
// The actions:
//
//	open   opens the loop. A program with a timer (Timed) closes the loop {ms} milliseconds later, even if this run
//	       has ended by then. A program without one leaves the loop open until the next close. A repeated number has
//	       no second effect. If the loop is open already, the later of the two ends counts, never their sum.
//	       An opening that is too long for the program is refused, not shortened.
//	close  closes the loop and stops the program's own timer. It may come at any time, even while another run of the
//	       program (an open or another close) has not ended, and must not wait for that run.
//	read   (Read) prints the word open or closed: the state of the contact.
//	sense  (Sense) prints the word closed if loop current flows, and open if none does.
//
// The exit status is the result. 0 means done. 113 ([ExitRefused]) means refused, and then the program must have done
// nothing at all. After any other status, or an end by a signal, the outcome is unknown. The program must not end
// before its report is true. Of its output the first 4 KiB are read and the rest is discarded; the first word counts.
// If the program did not do as asked, the first line of its standard error goes to the log.
//
// The environment is always the same. Standard input is /dev/null. Only standard output and standard error are open
// besides. The working directory is /. The environment variables are
// PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin, HOME=/ and LANG=C.UTF-8, and no others (bash as
// /bin/sh adds _ and SHLVL). The program runs as the daemon's user and under the limits of the daemon's unit: if that
// hides devices from the daemon, it hides them from the program too. The program has its own process group. When its
// time is over, the whole group is killed. The rest of the group is also killed if the status is not 0. A process that
// is left after status 0 keeps running, since it may be the program's timer. It should not hold standard output open,
// since that costs 100 ms each time.
//
// Every user of the machine can read the arguments. Put secrets into a file that the program reads, and only the file's
// name into the arguments.
//
// Here is a complete program, for a hardware driver whose output is a file that contains 1 while the loop is open. Its
// arguments are {action} and the file:
//
//	#!/bin/sh
//	set -eu
//	[ -w "$2" ] || exit 113 # refused: nothing was done
//	case $1 in
//	open) echo 1 >"$2" ;;
//	close) echo 0 >"$2" ;;
//	read)
//		case $(cat "$2") in
//		1) echo open ;;
//		0) echo closed ;;
//		esac
//		;;
//	*) exit 113 ;;
//	esac
//
// # What the driver does
//
// Every line has its own runs, so a program that hangs blocks only its own line. A line has at most one open, read or
// sense at a time; closes run beside it at once. If a program gives no result in time, it is killed, the outcome is
// unknown, and closing begins again. If an opening was overtaken by a close, the close is repeated after it. A program
// that cannot be killed (the kernel waits for a device), or whose start hangs, is abandoned. When it ends at last,
// another close follows. If it was an opening, the contact counts as open until then. While a line has four abandoned
// programs, no further one is started. The driver starts /bin/sh, which replaces itself with the program: if the
// program's disk hangs, only that new process waits for it. A file that is neither a binary nor begins with #! is run
// by that shell.
//
// The contact is of kind oneshot if the program has a timer (Timed), otherwise of kind none. With kind none, a loop
// that is open when the daemon dies stays open until the daemon, or its unit's last command, closes it. The driver
// cannot verify that a program does what this contract demands. Test the program before you trust it: open the contact
// and kill the daemon. Without Read the program's exit status is the only confirmation, and an idle contact is closed
// at the interval Poll.
//
// If the daemon ends an opening, the opening lasts longer by the time of one program start: some milliseconds, or some
// hundred for an interpreter on a small machine.
//
// # Wiring
//
// Whatever the program drives, use the normally closed side of a relay. The loop is then closed if the power fails, the
// program is missing or the cable is cut. The relay's contact must be made for the ringing voltage, and the relay must
// isolate the loop from the driven side. Read SAFETY.md first. What cannot be tested without the hardware: that the
// program moves it.
package command
