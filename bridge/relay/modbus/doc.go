// Package modbus drives relay contacts on Modbus boards: a coil, or the board's own timed output. A [Board] is reached
// by TCP. A [Bus] is a serial line (RTU) with one or more boards.
//
// # Kinds
//
// A contact with [Timed] is of kind oneshot: the length travels with the command, and the board ends the opening. A
// contact with only a [Watchdog] is of kind watchdog: the board drops its outputs if it receives no request for that
// time. Every other contact is of kind none. If the daemon dies or the cable is cut while such a loop is open, it stays
// open until the daemon is back. The daemon's first request is then a close.
//
// With Timed.Sequence each opening has a number, which is written together with its length in one request of function
// 16. The board ignores a number that it has just seen, so an opening that arrives twice has one effect. This project's
// own agent (package agent) is such a board.
//
//	what happens         oneshot               watchdog                  none
//	the daemon dies      the board closes      closed after its time     open until the daemon is back
//	the cable is cut     the board closes      closed after its time     open until the cable is whole
//	the board's power    as the contact is wired: a normally closed contact closes the loop
//
// # TCP
//
// One connection serves all lines of a board, and ordinary requests take turns. An opening is never written after its
// NotAfter. A close is written at once, even while an opening waits for its answer. A request without an answer ends
// the connection with a reset. A new connection begins by closing every contact, except for a timed opening, which is
// read back (SAFETY.md S35). A reset cannot recall bytes that the board's own network stack has already accepted. A
// board that pauses and resumes may still act on them until it sees the reset and the next close. After such an event
// the contacts are read back every 250 ms for 10 s.
//
// # RTU
//
// Only one station may send at a time on a serial line. One goroutine therefore sends the requests for all boards, one
// after the other. Closes are sent before all other requests in the queue. An opening's NotAfter is checked just before
// its bytes are written. A close waits for at most the exchange under way: about 20 ms at 9,600 bit/s, if the board
// answers. For the same reason, a request that might still be under way at the end of another line's opening is held
// back until that line is closed.
//
// Each board has its own session. A request without a proper answer ends it: no answer, half a frame, a wrong checksum,
// or an echo that differs from the write. The next session waits for silence on the line and then closes every contact
// of that board. The other boards lose only time: a silent board costs each of them one time-out. A silent board is
// therefore asked again only after three time-outs, or after two seconds if it stays silent. It is also not asked while
// a loop is open elsewhere on the bus (for at most 3 s). A board alone on its bus is asked again at once. If no board
// answers for 5 s, the port is reopened, since adapters can hang too. An error of the port ends all sessions. A call on
// the port that hangs in the kernel blocks all boards of that bus, and Shutdown, until it returns or the process ends.
//
// RTU frames carry no transaction numbers, so a late answer could be taken for the answer to a newer request. A late
// answer that would mean something else is never accepted, provided that boards answer in the order of the requests.
// They must do so on a line where only one station may send:
//
//   - A session begins with writes that close (function 5, the coil, its closed level). The confirmation repeats the
//     same bytes. It differs from the confirmation of every opening in its function or its value. A late confirmation
//     of an older close is as good as the expected one: no opening is sent between the two closes, so either one proves
//     a close after the last opening.
//   - A reading is sent only after a close was confirmed in the same session, and an opening only after a reading too.
//     If the confirmed close was an older one, the next answer is that of the newer close. That is no answer to a
//     reading, so the session ends. An opening can therefore meet an older answer only after both an older close and an
//     older reading. That reading describes a time in which nothing could open. The opening then receives the echo of
//     the newer close. The session ends, and the outcome is unknown.
//   - Bytes that arrive while no answer is awaited are discarded before each request. After a fault the line must first
//     be silent for 3.5 characters and 20 ms. Answers of other units are skipped.
//
// An adapter that receives its own bytes would confirm every write by itself. The first reading of a session detects
// that, and the session ends.
//
// Framing and pauses follow the MODBUS over Serial Line Specification V1.02: 3.5 characters between frames, or 1.75 ms
// above 19,200 bit/s. The limit of 1.5 characters within a frame cannot be observed behind a kernel's buffer or a USB
// adapter. Length and checksum determine the end of a frame.
//
// The port is opened for this process alone: with TIOCEXCL, which does not stop root, and with [relay.Lock] on the
// device's real path.
//
// # Why no library
//
// A driver must know whether a request was written. It must be able to send a close before an opening has been
// answered, to abort a connection with a reset, and to check a deadline just before the write. simonvetter/modbus
// v1.6.4, which our tests use as the other side, cannot do that:
//
//   - On TCP it has no reconnection, no contexts and one lock for all requests. With a silent board the fifth caller
//     waited five time-outs. After an answer that is cut in two, every later call fails.
//   - On a serial line it opens the port itself, which rules out exclusive use, the RS-485 switch and a flush. It takes
//     a late answer for the answer to the next request. It fails two requests for one late answer of another unit
//     (measured). It uses a port that has gone until the time-out (measured: 1 s). It waits for the 3.5 characters
//     after the last check of the deadline.
//
// Seven function codes over TCP take about 150 lines here, framing and checksum 40 more. They are tested against the
// published examples, that library's server and libmodbus.
//
// # Wiring
//
// Read SAFETY.md first. Put the loop through the normally closed contact and set OpenOn, so that the loop is closed if
// the board has no power or has just started. The contact must be rated for the ringing voltage and the loop current.
// It must isolate the loop from the board's supply and from the board's other contacts.
//
// For RS-485, by common practice:
//
//   - Run one twisted pair from board to board, without a star and without long branches.
//   - Put a resistor of the cable's impedance, usually 120 ohms, across the pair at each of its two ends and nowhere
//     else.
//   - Put bias resistors at one place, so that an undriven line reads idle. Without them noise arrives between the
//     frames and damages the first byte of an answer.
//   - Run a third wire as common reference between all boards and the adapter, since the pair alone lets their supplies
//     drift apart. Use isolated adapters if the boards have supplies of their own.
//   - Makers disagree on the names A and B. If no board answers, swap the two wires.
//   - Keep the cable away from the telephone pairs and from mains.
//   - Give every board a unit number of its own, and all boards the same speed, parity and stop bits. If two boards
//     share a number, both act, and their answers collide.
//
// Leave RS485 unset for adapters that detect the direction themselves, as most USB adapters do. If a port's driver uses
// RTS for the direction, set BusOptions.RS485 so that the kernel switches it. A program could not do so in time.
//
// # What cannot be tested without hardware
//
//   - The direction switch. A test shows only that a driver without one is reported as such, and that a driver with one
//     is set up and read back.
//   - Bias, termination and the effect of collisions.
//   - That an answer takes as long as its bits: pseudo terminals pass bytes on at once.
package modbus
