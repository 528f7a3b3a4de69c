// Package agent is a relay controller: a small program on a board beside the adapter that moves contacts and times
// their openings itself, for a daemon that runs elsewhere.
//
// # What it promises
//
//   - pulse(sequence, ms): the time travels with the command and the agent ends the opening, with the kernel's own timer on a thread of the
//     contact's own. A repeated sequence has no effect and gets the first answer; of two openings the later end counts, never the sum; longer than
//     max_interval, also by several commands together, is refused and not cut; ms 0 closes. There is no bare "on".
//   - Between two openings of a contact the loop is closed for a quarter of a second at least, whoever asks: what comes sooner is refused, and may be
//     sent again with the same sequence. So no master, and no two of them, make a relay rattle.
//   - A loop is closed first at start, on any orderly end, on a panic, and when the master that opened it is silent for the watchdog's time (3 s by
//     default). A close that fails is repeated, on an output opened anew, four times a second.
//   - A close counts against everything before it: an opening on a connection that is older than the one by which the contact was closed last is refused,
//     and that connection is ended, since the opening may have waited somewhere on its way. A master begins each connection with a close.
//   - An agent that stood still for more than half a second (stopped, or without a processor) obeys no opening that was sent before: it ends the
//     connections, and their masters begin anew.
//   - Its own death by kill -9, a kernel's panic and a power cut cannot be caught. Then the contact is as its output leaves it: see Wiring.
//     A service manager closes it (ExecStopPost runs clearback relay --close) and starts the agent anew, which closes first; a hardware watchdog resets
//     a machine on which the agent's threads do not run.
//
// # The register map
//
// Modbus TCP as in the MODBUS Application Protocol Specification V1.1b3 and the Messaging on TCP/IP Implementation
// Guide V1.0b. The unit identifier is ignored and given back. Contacts count from 0, i below; addresses are those on
// the wire, from 0. Numbers of 32 bits have their high word first.
//
//	table               address    functions   meaning
//	coils               i          1           1 = the loop is open, as the output tells it
//	                               5, 15       off closes; on is refused with exception 3
//	discrete inputs     i          2           1 = loop current flows; exception 2 where there is no input
//	holding registers   2i         3           sequence of the last command that had one
//	                    2i+1       3           milliseconds that the opening under way still lasts
//	                    2i, 2i+1   16          pulse(sequence, ms): both in one request, one contact a request
//	                    2i+1       6, 16       pulse(ms) without a sequence: each request counts
//	                    1000       3, 6, 16    watchdog in milliseconds, 100 to 65535
//	input registers     8i         4           0 closed, 1 open, 2 unknown: the output fails
//	                    8i+1       4           sequence of the last command that had one
//	                    8i+2       4           what became of the last command: 0 none yet, 1 open, 2 done by the timer, 3 closed by a command,
//	                                           4 closed by the watchdog, 5 refused as too long, 6 the output failed, 7 the agent ended
//	                    8i+3       4           milliseconds left
//	                    8i+4, +5   4           how long the last opening lasted, in microseconds, 32 bits
//	                    8i+6       4           openings since the start, 16 bits that go around
//	                    8i+7       4           how late the last opening was closed, in microseconds, 65535 for more
//	                    1000       4           version of this map: 1
//	                    1001       4           number of contacts
//	                    1002       4           health, 0 = well: bit 0 a contact is not known closed or its output failed, bit 1 a thread does not
//	                                           answer, bit 2 not in the real-time class, bit 3 no hardware watchdog is fed, bit 4 a contact is simulated
//	                    1003, 1004 4           seconds since the start, 32 bits
//	                    1005       4           watchdog in milliseconds
//	                    1006       4           max_interval in milliseconds
//
// Every other address is refused with exception 2, also half of a command; a value that is out of its range, and an
// opening that is too long, with 3; every other function with 1. Exception 4 means that the output failed or does not
// answer: the contact may have moved. Exception 6 means that nothing was done: the agent ends, the contact was closed
// by a younger connection since, or its last opening ended less than 250 ms ago. The 32-bit sequence of other faces
// shows its lower 16 bits.
//
// A master reads the last sequence from the agent at its own start and goes on from there, since what it sends with the
// last one's number has no effect. It is one connection, and a request of any kind is a sign of life: whoever opens a
// contact for longer than the watchdog's time keeps the connection and asks something now and then. One that ends its
// connection closes nothing; the timer does, or the watchdog.
//
// # When something dies
//
//   - The daemon, its machine or the cable: the timer ends the opening, and the watchdog does if that is sooner. The kind is oneshot.
//   - The agent by any signal that can be caught, or by a panic: every contact is closed first. By kill -9, or by a fatal error of Go's runtime
//     (memory, a corrupted map): nothing runs any more. A GPIO line is given back, and its pin does what the chip's driver
//     wants; a serial port drops RTS and DTR if the loop opens when they are on. Then the service manager closes: see
//     deploy/clearback-relay.service. That takes some 0.2 s with it, and for ever without one.
//   - The agent is frozen (kill -STOP, a debugger, a processor that others have): contacts stay as they are until it goes on, and are then closed
//     at once. The service manager's watchdog kills it after 2 s, the hardware's resets the machine.
//   - The kernel: the hardware watchdog, if the file names one; else a loop that is open stays so until the power is cut.
//   - The power: the relay drops, which is a closed loop if it is wired so.
//   - An output that hangs in the kernel: only its own line waits. Its contact stays as it is, commands are answered with exception 4 at once,
//     and no watchdog is fed any more, so that the agent begins anew and in the end the machine.
//
// # Wiring, in words
//
// The loop goes through the relay's normally closed contact, and the output is off while the loop is closed
// (open_level: on), so that no program, no board and no power is a loop that is closed. A pin or a serial line drives
// the coil through a transistor with a diode across the coil; packages gpio and serial say more of each. The relay's
// contact is one rated for the ringing voltage, its gap to the coil isolates the telephone network from the board, and
// so does the optocoupler of a loop-current input. The board stands beside the adapter, on a network of its own with
// the daemon: Modbus knows no passwords, and allow_from is judged by an address that others on the same wire can take.
// SAFETY.md has the rest.
//
// # What cannot be tested without hardware
//
// That a real relay follows its output, and how late (some milliseconds, more or less the same at both ends); what a
// real chip's pin does when it is given back, at boot and at power-up; the watchdogs of real boards (one emulated by
// qemu resets its machine in the tests); the real-time class on a board's own processor.
package agent
