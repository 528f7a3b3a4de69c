// Package serial drives one contact by a control line of a serial port: RTS or DTR, for the simplest builds.
//
// # What the driver does
//
// The port is opened once and kept. The line that drives is the contact; the other one of RTS and DTR stays off.
// Nothing is sent or received. The kind is none: the port times nothing. What happens is this:
//
//   - The daemon is killed or crashes: the kernel closes the port and turns both lines off (termios HUPCL), so a contact that opens when its line is on is
//     closed. One that opens when its line is off stays as it was, since there HUPCL is not set.
//   - The daemon stands still (a signal, a hung kernel call): the contact stays as it is. Nothing outside of the daemon ends an opening.
//   - The power fails, or the cable or the adapter on USB is pulled out: no voltage; a contact that opens when its line is on is closed. An adapter that
//     comes back is found again by its path; take one of those below /dev/serial/by-id.
//   - A kernel call that does not come back in its time: the outcome is unknown, the contact is told to close again at once, and once more whenever the call returns.
//     If it was an opening, the contact counts as open until then, whatever the port says: the kernel may still carry it out.
//
// The port is taken for this process (TIOCEXCL, which does not stop root, and relay.Lock), so a second process that
// only closes contacts cannot do so beside a daemon that stands still: kill that one.
//
// # Opening a port moves its lines
//
// Most drivers turn both lines on when a port is opened, before a program can act: on an emulated 16550 for 0.15 to 2.2
// ms (measured; hardware may differ), and for as long as a USB adapter takes for two messages. The driver sets the
// speed to 0 (B0), which Linux takes as a reason not to turn them on, and which it mostly remembers when the port is
// closed and opened again; so it happens at the first opening after the machine or the adapter was started.
// [Board.Raised] reports whether the lines were found on. Some machines also turn them on while they start.
//
// # Wiring
//
// Wire so that both lines on, and both off, mean a closed loop: put the relay's coil between RTS and DTR, with a diode
// in series, so that it draws only when RTS is on (+5 to +15 V) and DTR off (-5 to -15 V). A port gives some 10 mA at
// most (ITU-T V.28 leaves 3 to 7 kOhm for a load; from memory), too little for most relays: let it drive an optically
// isolated solid-state relay, or a transistor with a supply of its own. If the coil hangs between one line and ground
// instead, delay it by an RC element of 5 ms or more, so that the opening of the port does not open the loop. A shorted
// or overloaded line still reads back as if it were on: what is read is what the port was told, so a loop-current input
// (Sense) is worth its wire. Adapters with 3.3 or 5 V levels have them inverted: on is 0 V, and then also while nothing
// is connected; try with a meter, and set OpenOn by what it shows.
//
// Take the normally-closed side of the relay, so that no voltage is a closed loop; a contact made for the ringing
// voltage; and a relay that keeps the loop apart from the port. SAFETY.md comes first.
//
// # Ports that only pretend
//
// A pseudo terminal has no lines (ENOTTY): that is said when connecting. An adapter whose driver accepts a level and
// does not show it afterwards cannot be told from one that did nothing, so an opening by it is refused as one that did
// not move. That a driver shows what it was told and its adapter has no such pin cannot be found out here.
//
// The system calls are made with golang.org/x/sys/unix: they are five, and a library for serial ports opens the port in
// its own way, with a speed, which turns the lines on each time.
//
// What cannot be tested without hardware: voltages, relays, adapters on USB, and how long their lines are on when they
// are opened.
package serial
