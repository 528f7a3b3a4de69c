// Package agent is a relay controller. It runs on a board beside the adapter, moves contacts and times their openings
// itself, for a daemon that runs elsewhere.
//
// # What it guarantees
//
//   - pulse(sequence, ms) opens a contact. The time travels with the command, and the agent ends the opening, with the
//     kernel's own timer on a thread that serves only this contact. A repeated sequence has no effect and gets the
//     first answer. Two openings are never added up: the later of their ends counts. An opening longer than
//     max_interval, alone or together with the one under way, is refused rather than shortened. An ms of 0 closes.
//     There is no plain "on".
//   - Between two openings of a contact the loop stays closed for at least 250 ms, whichever master asks. An earlier
//     command is refused and may be repeated later with the same sequence. So neither one master nor several can make a
//     relay chatter.
//   - Every loop is closed at the start, on any orderly end and on a panic. It is also closed if the master that opened
//     it is silent for the watchdog time (3 s by default). If a close fails, the agent reopens the output and repeats
//     the close, four times a second.
//   - A close overrides everything sent before it. An opening is refused if its connection is older than the connection
//     that last closed the contact, since the opening may have been delayed on its way. The older connection is then
//     ended. A master begins each connection with a close.
//   - If the agent stood still for more than half a second (stopped, or without a processor), it obeys no opening sent
//     before that. It ends the connections, and their masters reconnect.
//   - It cannot catch its own death by kill -9, a kernel panic or a power cut. The contact then stays as its output
//     leaves it; see Wiring. A service manager closes it (ExecStopPost runs clearback relay --close) and restarts the
//     agent, which closes every contact first. A hardware watchdog resets a machine on which the agent's threads do not
//     run.
//
// # The register map
//
// Modbus TCP follows the MODBUS Application Protocol Specification V1.1b3 and the Messaging on TCP/IP Implementation
// Guide V1.0b. The unit identifier is ignored and returned unchanged. Contacts are numbered from 0; the table calls the
// number i. Addresses are those on the wire, from 0. A number of 32 bits has its high word first.
//
//	table               address    functions   meaning
//	coils               i          1           1 = the loop is open, as read from the output
//	                               5, 15       off closes; on is refused with exception 3
//	discrete inputs     i          2           1 = loop current flows; exception 2 if there is no input
//	holding registers   2i         3           sequence of the last command that had one
//	                    2i+1       3           milliseconds left of the opening under way
//	                    2i, 2i+1   16          pulse(sequence, ms): both in one request, one contact a request
//	                    2i+1       6, 16       pulse(ms) without a sequence: each request takes effect
//	                    1000       3, 6, 16    watchdog in milliseconds, 100 to 65535
//	input registers     8i         4           0 closed, 1 open, 2 unknown: the output fails
//	                    8i+1       4           sequence of the last command that had one
//	                    8i+2       4           outcome of the last command: 0 none yet, 1 open, 2 closed by the timer,
//	                                           3 closed by a command, 4 closed by the watchdog, 5 refused as too long,
//	                                           6 the output failed, 7 the agent ended
//	                    8i+3       4           milliseconds left
//	                    8i+4, +5   4           how long the last opening lasted, in microseconds, 32 bits
//	                    8i+6       4           openings since the start, 16 bits that wrap around
//	                    8i+7       4           how late the last opening was closed, in microseconds, 65535 for more
//	                    1000       4           version of this map: 1
//	                    1001       4           number of contacts
//	                    1002       4           health, 0 = well: bit 0 a contact is not known to be closed or its
//	                                           output failed, bit 1 a thread does not answer, bit 2 not in the
//	                                           real-time class, bit 3 no hardware watchdog is fed, bit 4 a contact
//	                                           is simulated
//	                    1003, 1004 4           seconds since the start, 32 bits
//	                    1005       4           watchdog in milliseconds
//	                    1006       4           max_interval in milliseconds
//
// Exception 1 is the answer to every other function. Exception 2 is the answer to every other address, and to half of a
// command. Exception 3 means that a value is out of range or that an opening is too long. Exception 4 means that the
// output failed or does not answer: the contact may have moved. Exception 6 means that nothing was done: the agent is
// ending, a younger connection has closed the contact, or the contact's last opening ended less than 250 ms ago. Other
// interfaces have a 32-bit sequence; the registers show its lower 16 bits.
//
// At its start a master reads the last sequence from the agent and continues from there, since a command with the last
// command's number has no effect. A master is one connection, and a request of any kind is a sign of life. A master
// that opens a contact for longer than the watchdog time must keep the connection and send requests meanwhile. The end
// of a connection closes nothing: the timer or the watchdog closes the contact.
//
// # When something dies
//
//   - The daemon, its machine or the cable: the timer ends the opening, or the watchdog if its time ends sooner. The
//     kind of the contact is oneshot.
//   - The agent, by a signal that can be caught or by a panic: every contact is closed first. After kill -9, or a fatal
//     error of Go's runtime (memory, a corrupted map), the agent runs no further code. The kernel releases a GPIO line,
//     and the chip's driver decides what the pin does. A serial port drops RTS and DTR, which closes a loop that opens
//     when they are on. Then the service manager closes the contacts: see deploy/clearback-relay.service. That takes
//     about 0.2 s. Without a service manager an open loop stays open.
//   - The agent is frozen (kill -STOP, a debugger, no processor time): contacts stay as they are until it runs again,
//     and are then closed at once. The service manager's watchdog kills it after 2 s, and the hardware watchdog resets
//     the machine.
//   - The kernel: the hardware watchdog resets the machine, if the configuration names one. Otherwise an open loop
//     stays open until the power is cut.
//   - The power: the relay drops. The loop is then closed if it is wired as described below.
//   - An output hangs in the kernel: only its own line is affected. Its contact stays as it is, and commands get
//     exception 4 at once. The watchdogs are no longer fed, so that the agent is restarted and, in the end, the
//     machine.
//
// # Wiring
//
// The loop passes through the relay's normally closed contact, and the output is off while the loop is closed
// (open_level: on). So the loop is closed without a program, without a board and without power. A pin or a serial line
// drives the coil through a transistor, with a diode across the coil; packages gpio and serial give the details. The
// relay's contact must be rated for the ringing voltage. The gap between contact and coil isolates the telephone
// network from the board, and so does the optocoupler of a loop-current input. The board stands beside the adapter, on
// a network that it shares only with the daemon. Modbus has no passwords, and allow_from checks only the address, which
// other machines on the same wire can take. SAFETY.md has the rest.
//
// # What cannot be tested without hardware
//
//   - Whether a real relay follows its output, and how late (some milliseconds, about the same for opening and
//     closing).
//   - What a real chip's pin does when its line is released, at boot and at power-up.
//   - The hardware watchdogs of real boards. In the tests a watchdog emulated by QEMU resets its machine.
//   - The real-time class on a board's own processor.
package agent
