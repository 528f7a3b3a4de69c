// Package gpio drives relay contacts on lines of a GPIO chip of this machine, by the second version of Linux's
// character device (kernel 5.10 or later).
//
// A contact is an output line that is active while the loop is open. It is requested as an output that is inactive from
// the first moment, so that neither a start nor a reconnection opens the loop, and the kernel gives it to nobody else
// while it is held. The level is read back from the chip. Each contact has its lines and its goroutines to itself: a
// kernel call that hangs blocks its own line only. Chips that come and go (a USB expander, a driver that is unloaded)
// are looked for again by name or label; the loop is closed first when one is back.
//
// # What ends an opening
//
// The kind is none: the kernel has no timer for a line, so nothing but this process ends an opening. See SAFETY.md.
//
//   - The daemon dies (any signal, also kill -9): the kernel gives the line back. What the pin does then is the matter of the chip's
//     driver: the simulated chip falls back to its pull resistor (tested), others turn the pin into an input, and
//     many leave it just as it was: then the loop stays open until the daemon, or clearback close, requests the line again. The supervisor must
//     start the daemon again at once.
//   - The daemon is stopped (kill -STOP) or the machine overloaded: the contact stays as it is for that long.
//   - The power fails: the relay drops. The loop must then be closed, which is a matter of wiring; and so it must be from power-up until the
//     daemon runs.
//   - The cable to an expander is cut: the expander keeps its outputs, usually, as long as it has power. Wire it so that it has not.
//
// Whoever wants an opening that ends without the daemon needs a controller with a timer of its own, or the agent
// (clearback relay) with its hardware watchdog.
//
// # Wiring, in words
//
// The loop goes through the relay's normally closed contact, so that a coil without current is a closed loop. The line
// energises the coil through a driver transistor with a diode across the coil, never by itself: a pin gives a few
// milliamperes. Pick the polarity so that the pin's state during boot, and after it is given back, leaves the coil
// without current: for a pin that is pulled up during boot that is a driver that a low level switches on (active_low),
// else one that a high level does; and give the driver a resistor of its own to that side, since a pin is an input
// until somebody requests it. Open-drain is for drivers that bring their own pull-up, such as relay modules with an
// optocoupler at another voltage than the chip's, if the chip bears that. The contact must be rated for the loop's
// ringing voltage (about 90 V AC on top of 48 V DC by common practice) and the gap between contact and coil must
// isolate the telephone network from the board. The sense input, likewise, sees the loop only through an optocoupler.
// SAFETY.md has the rest.
//
// # What cannot be tested without hardware
//
// The tests run on the kernel's simulated chip. They prove what this package asks of the kernel and what the kernel
// makes of it. They cannot prove what a real chip's pin does when it is given back, during boot or at power-up; nor
// bias resistors and drives as volts; nor how long a call takes on a real bus; nor what a failing bus answers. Kernels
// before about 6.15, as far as we remember, do not tell of a write that failed on an I2C or USB expander: that each
// command is read back is what finds it.
package gpio
