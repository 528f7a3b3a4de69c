// Package command drives a contact by a program of the user's own, for whatever the other drivers do not know.
//
// # The contract
//
// The program is started once for each request, by its absolute path and with the arguments of the configuration, never
// through a shell. In the arguments these words stand for something, and everything else goes through untouched:
//
//	{action}  what to do: open, close, read or sense
//	{line}    the name of the line
//	{ms}      open: how long the loop is to stay open, in whole milliseconds; else 0
//	{seq}     open: the number of the opening, which rises with each as long as the daemon runs; else 0
//
// What the actions mean:
//
//	open   opens the loop. A program that times it by itself (Timed) closes it {ms} milliseconds later, also if this program has ended by
//	       then; one that does not leaves it open until it is told to close. A number that was done before has no second effect. What comes
//	       while the loop is open ends at the later of both ends, never at their sum. What cannot be kept that short is refused, not cut.
//	close  closes the loop and ends the program's own timer. It may come at any time, also while another run of the program, be it an open
//	       or another close, has not ended, and it must not wait for that.
//	read   (Read) prints the word open or closed: where the contact is.
//	sense  (Sense) prints the word closed if loop current flows, and open if none does.
//
// The exit status says what became of it: 0 is done, 113 ([ExitRefused]) is refused, and then nothing at all was done;
// everything else, and an end by a signal, leaves open what was done. The program must not end before what it says is
// so. Of what it prints the first 4 KiB are looked at, and the rest is thrown away; the first word counts. The first
// line on its standard error goes into the log when it did not do as asked.
//
// Its surroundings are always the same: standard input is /dev/null, no other descriptor is open but standard output
// and error, the folder is /, the environment is PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin,
// HOME=/, LANG=C.UTF-8 and nothing else. It runs as the user of the daemon, and under the limits that the daemon's unit
// sets: one that hides devices hides them from the program too. It has a process group of its own. When its time is
// over the whole group is killed, and so is what is left of the group when the status is not 0. What a program that
// ended with 0 leaves running is let be, since it may be its timer; it should not hold standard output, since that
// costs 100 ms each time.
//
// Arguments can be read by every user of the machine. Secrets belong into a file that the program reads, and only the
// file's name into the arguments.
//
// A whole program, for a driver of some hardware whose output is a file that holds 1 while the loop is open. Its
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
// Every line has runs of its own, so that a program that hangs blocks its own line only: at most one open, read or
// sense at a time, and beside it closes at once. A program without a result in its time is killed, the outcome is
// unknown, and closing begins again; a close that was done before an opening that it overtook is repeated. A program
// that cannot be killed (the kernel waits for a device), or whose start hangs, is left behind; its end, whenever it
// comes, is followed by another close, and if it was an opening the contact counts as open until then. While four of a
// line are left behind no more are started. Keep programs on a disk of this machine: a start that hangs in the kernel
// (a file system on a dead network) may hold up the starts of other lines too.
//
// The contact is of the kind oneshot if the program says that it times openings by itself, and none otherwise: then a
// daemon that dies leaves the loop open until it, or its unit's last command, closes it. Whether a program keeps what
// it promises cannot be known here; try it before trusting it, by opening the contact and killing the daemon. Without
// Read the program's word has to do, and the contact is closed at the pace of Poll when nothing else happens.
//
// An opening that the daemon ends is longer than asked for by what one start of the program takes: some milliseconds,
// or some hundred for an interpreter on a small machine.
//
// # Wiring
//
// Whatever the program drives: take the normally-closed side of a relay, so that the loop is closed when the power
// fails, the program is gone or the cable is cut; a relay whose contact is made for the ringing voltage, and which
// keeps the loop apart from the side that is driven. SAFETY.md comes first. What cannot be tested without the hardware:
// that the program moves it.
package command
