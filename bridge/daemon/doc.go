// Package daemon does everything that `clearback run` does, except for signals, log files and the service manager's
// socket. It opens and closes the journal, the contacts, the media relay, the SIP sockets and the control socket. It
// makes, starts and ends the lines.
//
//	daemon.go     the start: what is opened, and in which order
//	shutdown.go   the end, in order; the loops close last (invariant 9)
//	handover.go   the end for another process that goes on with the calls
//	run.go        start, signals and end; what the service manager is told
//	reload.go     a changed file is loaded: what is possible, what waits
//	reloadgroup.go  one part of a reload: lines and the controllers that they share
//	reloadline.go a line that a reload changes
//	watchdog.go   the service manager's watchdog, fed only while every line runs
//	options.go    from the configuration to the options of the other packages
//	line.go       the state of a line beside its machine: calls, incidents, what the journal saved, the tuning session
//	trust.go      how far the adapter's answers can be trusted, and when the trust is withdrawn
//	backend.go    what the control socket reports and does
//	openbyhand.go openings by hand
//	counts.go     the user agent's counts, under the names that the control socket uses
//	errors.go     the error that names the contacts not known to be closed
//	notices.go    the controllers' notices in the log
//
// Commands reach a running daemon through the control socket. `check --live` and the rehearsal start daemons of their
// own and call [Daemon.Line] and [Daemon.Backend].
package daemon
