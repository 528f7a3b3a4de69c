// Package serial drives one contact with a control line of a serial port, RTS or DTR. It is for the simplest
// installations.
//
// # What the driver does
//
// The port is opened once and stays open. One control line drives the contact; the other one stays off. No data is sent
// or received. The kind is none: the port has no timer. In detail:
//
//   - The daemon is killed or crashes: the kernel closes the port. If the contact opens when its line is on, the kernel
//     also turns both lines off (termios HUPCL), which closes the contact. If the contact opens when its line is off,
//     HUPCL is not set, and the contact stays as it was.
//   - The daemon stands still (a signal, a hung kernel call): the contact stays as it is. Nothing outside the daemon
//     ends an opening.
//   - The power fails, or the cable or the USB adapter is pulled out: there is no voltage. A contact that opens when
//     its line is on is then closed. An adapter that returns is found by its path, so use a path in /dev/serial/by-id.
//   - A kernel call does not return in time: the outcome is unknown. The contact is closed again at once, and again
//     when the call returns. If the call was an opening, the contact counts as open until then, whatever the port
//     reads: the kernel may still carry the opening out.
//
// The port is claimed for this process (TIOCEXCL, which does not stop root, and relay.Lock). A second process can
// therefore not close a contact while a daemon that stands still holds the port. Kill that daemon first.
//
// # Opening a port moves its lines
//
// Most drivers turn both lines on when a port is opened, before a program can act. An emulated 16550 has them on for
// 0.15 to 2.2 ms (measured; hardware may differ), and a USB adapter for the time of two USB messages. This driver sets
// the speed to 0 (B0). Linux then leaves the lines off at an open, and usually keeps that setting after a close. So the
// lines go on only at the first open after the machine or the adapter was started. [Board.Raised] reports whether the
// lines were found on. Some machines also turn them on while they start.
//
// # Wiring
//
// Wire the relay so that the loop is closed both with both lines on and with both lines off. Put the relay's coil
// between RTS and DTR, with a diode in series, so that current flows only when RTS is on (+5 to +15 V) and DTR is off
// (-5 to -15 V). A port supplies some 10 mA at most (ITU-T V.28 specifies a load of 3 to 7 kOhm; from memory), too
// little for most relays. Let it drive an optically isolated solid-state relay, or a transistor with a supply of its
// own. If the coil is connected between one line and ground instead, delay it by an RC element of 5 ms or more, so that
// opening the port does not open the loop. A shorted or overloaded line still reads back as on, since the port reads
// back only what was set. A loop-current input (Sense) is therefore worth its wire. Adapters with 3.3 V or 5 V levels
// have inverted levels: on is 0 V, which is also the level of an unconnected line. Measure the levels with a meter, and
// set OpenOn accordingly.
//
// Use the relay's normally closed side, so that the loop is closed without voltage. The contact must be made for the
// ringing voltage, and the relay must isolate the loop from the port. Read SAFETY.md first.
//
// # Ports without real lines
//
// A pseudo terminal has no control lines (ENOTTY), which is an error at the connection. Some adapters' drivers accept a
// level but do not read it back. Such an adapter cannot be told from one that did nothing, so its opening is refused
// because the contact did not move. If a driver reads back what was set but the adapter has no such pin, nothing here
// can detect that.
//
// The system calls are made with golang.org/x/sys/unix. There are only five. A library for serial ports would open the
// port with a speed, which turns the lines on each time.
//
// What cannot be tested without hardware: voltages, relays, USB adapters, and how long their lines are on when they are
// opened.
package serial
