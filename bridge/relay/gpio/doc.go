// Package gpio drives relay contacts on lines of a GPIO chip of this machine. It uses version 2 of Linux's GPIO
// character device (kernel 5.10 or later).
//
// A contact is an output line that is active while the loop is open. The line is requested as an output that is
// inactive from the first moment, so neither a start nor a reconnection opens the loop. The kernel gives the line to no
// other process while it is held. The level is read back from the chip. Each contact has its own lines and its own
// goroutines, so a kernel call that hangs blocks only its own line. A chip may come and go (a USB expander, a driver
// that is unloaded). It is looked up again by name or label, and when it is back the loop is closed first.
//
// # What ends an opening
//
// The kind is none: the kernel has no timer for a line, so only this process ends an opening. See SAFETY.md.
//
//   - The daemon dies (any signal, even kill -9): the kernel releases the line. The chip's driver decides what the pin
//     then does. The simulated chip falls back to its pull resistor (tested). Others turn the pin into an input, and
//     many leave it unchanged. In that case the loop stays open until the daemon, or clearback close, requests the line
//     again. The service manager must restart the daemon at once.
//   - The daemon is stopped (kill -STOP) or the machine is overloaded: the contact stays as it is until the daemon runs
//     again.
//   - The power fails: the relay drops. Wire the relay so that the loop is then closed, and also from power-up until
//     the daemon runs.
//   - The cable to an expander is cut: an expander usually keeps its outputs while it has power. Wire its supply so
//     that it loses power too.
//
// For an opening that ends without the daemon, use a controller with its own timer, or the agent (clearback relay) with
// its hardware watchdog.
//
// # Wiring
//
// The loop passes through the relay's normally closed contact, so that the loop is closed while the coil has no
// current. The line drives the coil through a driver transistor with a diode across the coil, never directly: a pin
// supplies a few milliamperes. Choose the polarity so that the coil has no current during boot and after the line is
// released. For a pin that is pulled up during boot, use a driver that a low level switches on (active_low). Otherwise
// use one that a high level switches on. Give the driver a resistor to its off level, since a pin is an input until it
// is requested. Open-drain is for drivers with their own pull-up, such as relay modules with an optocoupler at another
// voltage than the chip's, if the chip tolerates that voltage. The contact must be rated for the ringing voltage of the
// loop (about 90 V AC on top of 48 V DC, by common practice). The gap between contact and coil must isolate the
// telephone network from the board. The sense input, too, may see the loop only through an optocoupler. SAFETY.md has
// the rest.
//
// # What cannot be tested without hardware
//
// The tests run on the kernel's simulated chip. They prove what this package asks of the kernel and how the kernel
// responds. They cannot prove what a real chip's pin does when its line is released, during boot or at power-up. Nor do
// they show the voltages of bias resistors and drives, the duration of a call on a real bus, or the errors of a failing
// bus. Kernels before about 6.15 (from memory) do not report a failed write on an I2C or USB expander. Reading back
// each command detects such a failure.
package gpio
