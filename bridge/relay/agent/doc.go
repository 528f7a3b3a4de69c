// Package agent is a relay controller: a small program on a board beside the adapter that moves contacts and times their openings itself,
// for a daemon that runs elsewhere.
//
// # What it promises
//
//   - pulse(sequence, ms): the time travels with the command and the agent ends the opening, with the kernel's own timer on a thread of the
//     contact's own. A repeated sequence has no effect and gets the first answer; of two openings the later end counts, never the sum; longer than
//     max_interval, also by several commands together, is refused and not cut; ms 0 closes. There is no bare "on".
//   - A loop is closed first at start, on any orderly end, on a panic, and when the master that opened it is silent for the watchdog's time (3 s by
//     default). A close that fails is repeated, on an output opened anew, four times a second.
//   - An agent that stood still for more than half a second (stopped, or without a processor) obeys no opening that was sent before: it ends the
//     connections, and their masters begin anew.
//   - Its own death by kill -9, a kernel's panic and a power cut cannot be caught. Then the contact is as its output leaves it: see Wiring.
//     A service manager closes it (ExecStopPost runs clearback relay --close) and starts the agent anew, which closes first; a hardware watchdog resets
//     a machine on which the agent's threads do not run.
//
// # The register map
//
// Modbus TCP as in the MODBUS Application Protocol Specification V1.1b3 and the Messaging on TCP/IP Implementation Guide V1.0b. The unit
// identifier is ignored and given back. Contacts count from 0, i below; addresses are those on the wire, from 0. Numbers of 32 bits have their
// high word first.
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
// Every other address is refused with exception 2, also half of a command; a value that is out of its range, and an opening that is too
// long, with 3; every other function with 1. Exception 4 means that the output failed or does not answer: the contact may have moved.
// Exception 6 means that the agent ends, and nothing was done. The 32-bit sequence of other faces shows its lower 16 bits.
package agent
