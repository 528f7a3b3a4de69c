// Package modbus drives relay contacts on Modbus boards: a coil, or the board's own timed output. A [Board] is on TCP.
// A [Bus] is a serial line (RTU) with one board or several.
//
// # Kinds
//
// A contact with [Timed] is oneshot: the length travels with the command and the board ends the opening. A contact
// with [Watchdog] alone is watchdog: the board drops its outputs when nobody asks it anything for that time. Any other
// contact is none: if the daemon dies or the cable is cut while the loop is open, it stays open until the daemon is
// back, whose first request is a close.
//
// With Timed.Sequence each opening has a number, written together with its length by one request of function 16. A
// board that has seen the number does nothing, so an opening that reaches it twice has one effect. The agent of this
// project (package agent) is such a board.
//
//	what happens         oneshot               watchdog                  none
//	the daemon dies      the board closes      closed after its time     open until the daemon is back
//	the cable is cut     the board closes      closed after its time     open until the cable is whole
//	the board's power    as the contact is wired: a normally-closed contact closes the loop
//
// # TCP
//
// One connection serves all lines of a board, one request at a time. An opening is written only at an instant not
// after its NotAfter. A close is written at once, even while an opening waits for its answer. A request without an
// answer ends the connection with a reset. A new connection begins with closing every contact, except for a timed
// opening, which is read back (SAFETY.md S35). A reset cannot call back bytes that the board's own network stack has
// already taken. A board that sleeps and wakes may still act on them, until it sees the reset and the close that
// follows. After such an event the contacts are read back every 250 ms for 10 s.
//
// # RTU
//
// On a serial line one may speak at a time, so one goroutine asks for all boards, one request after the other. Closes
// go before everything else that waits. The last thing before the bytes of an opening is the look at its NotAfter. A
// close waits at most for the exchange under way: at 9,600 bit/s some 20 ms with a board that answers. So a request
// that would be in the air when an opening of another line ends is held back until that was closed.
//
// Each board has a session of its own. A request without a proper answer ends it: no answer, half a frame, a wrong
// checksum, another echo than that of the write. The next session begins, after silence on the line, with closing
// every contact of that board. The other boards notice only the time: a silent board takes its time-out from them. So
// it is asked again after a pause of three time-outs, or two seconds if it stays silent, and not while a loop is open
// elsewhere on the bus (for at most 3 s). A board alone on its bus is asked again at once. If nobody answers for 5 s
// the port is opened anew, since adapters hang too. An error of the port ends all sessions. A call on the port that
// hangs in the kernel holds up all boards of that bus, and Shutdown with them, until it comes back or the process
// ends.
//
// RTU has no numbers on requests and answers, so a late answer could be taken for that of a newer request. That never
// happens with an answer that means something else, provided that boards answer in the order in which they are asked.
// They must, on a line where one speaks at a time:
//
//   - A session begins with writes that close (function 5, the coil, its level of closed). Their confirmation is the
//     same bytes, and differs from that of every opening in function or value. The late confirmation of an older close
//     says the same as the one that is awaited: that the contact was closed after every opening that had been sent,
//     since no opening is sent between the two.
//   - A reading is sent only after a close was confirmed in the same session, and an opening only after a reading as
//     well. If the confirmation was a late one, the next answer is that of the newer close, which is no answer to a
//     reading: the session ends. So an opening meets an older answer only where an older close and an older reading
//     stood in a row. The reading then tells of a time in which nothing could have opened. The opening gets that
//     close's echo, ends the session, and counts as unknown.
//   - What comes in while nobody waits is thrown away before each request, and after trouble the line has to be silent
//     first: 3.5 characters and 20 ms. Answers of other units are skipped.
//
// An adapter that receives what it sends would confirm each write by itself. The first reading finds that, and the
// link is not used.
//
// Framing and pauses are of the MODBUS over Serial Line Specification V1.02: 3.5 characters between frames, 1.75 ms
// above 19,200 bit/s. The 1.5 characters within a frame cannot be seen behind a kernel's buffer or a USB adapter;
// length and checksum tell where a frame ends.
//
// The port is opened for this process alone (TIOCEXCL, which does not stop root, and [relay.Lock] by the device's real
// path).
//
// # Why no library
//
// A driver has to know whether a request was written, to overtake an opening in flight with a close, to abort a
// connection with a reset, and to keep to an instant that is checked last before the write. simonvetter/modbus v1.6.4,
// the peer in our tests, cannot:
//
//   - On TCP it has no reconnection, no contexts and one lock for all requests: with a silent board the fifth caller
//     waited five time-outs. After an answer cut in two every later call fails.
//   - On a serial line it opens the port itself, so that neither exclusive use nor the RS-485 switch nor a flush can
//     be had. It takes a late answer for the next request's, fails two requests for one late answer of another unit
//     (measured), asks a port that is gone until its time-out is over (measured: 1 s), and waits for the 3.5
//     characters after the last look at the not-after.
//
// Seven function codes over TCP are some 150 lines here, framing and checksum 40 more. They are checked against the
// published examples, that library's server and libmodbus.
//
// # Wiring
//
// SAFETY.md comes first. Put the loop through the normally-closed contact, so that a board without power, or one that
// has just started, leaves the line whole, and set OpenOn. The contact has to be rated for ringing voltage and for the
// loop's current. It has to isolate the loop from the board's supply and from its other contacts.
//
// RS-485, by common practice:
//
//   - One twisted pair from board to board, no star and no long branches.
//   - A resistor of the cable's impedance, mostly 120 ohms, across the pair at each of its two ends and nowhere else.
//   - Bias resistors at one place, so that an undriven line reads idle. Without them noise comes in between the
//     frames, and the first byte of an answer suffers.
//   - A third wire as common reference between all boards and the adapter, since the pair alone leaves their supplies
//     to float apart; isolated adapters where boards have supplies of their own.
//   - Makers name A and B differently: if no board answers, swap them.
//   - Run it apart from the telephone pairs and from mains.
//   - Every board needs a unit number of its own, and the same speed, parity and stop bits. Two boards with one number
//     both act, and their answers collide.
//
// Leave RS485 out with adapters that find the direction by themselves, as USB adapters mostly do. Where a port's
// driver uses RTS for it, the kernel switches it (BusOptions.RS485); a program could not do so in time.
//
// # What cannot be tested without hardware
//
// The direction switch: a test shows that a driver without one is reported in words, and that one which has it is set
// up and looked at, by reading only. Bias, termination and what collisions look like. That an answer takes as long as
// its bits: pseudo terminals pass bytes on at once.
package modbus
