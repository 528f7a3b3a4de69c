// Package daemon is everything that `clearback run` runs, except signals, log files and the service manager's socket:
// it opens and closes the journal, the contacts, the media relay, the SIP sockets and the control socket, and it makes,
// starts and ends the lines.
//
//	daemon.go     start: what is opened, in which order
//	shutdown.go   the end, in order; the loops close last (invariant 9)
//	run.go        from the start to the last signal
//	options.go    from the configuration to the options of the other packages
//	line.go       the state of a line beside its machine: calls, incidents, what the journal saved, the tuning session
//	trust.go      how far the adapter's answers can be trusted, and when the trust is withdrawn
//	backend.go    what the control socket reports and does; openbyhand.go: its opening by hand
//	counts.go     the user agent's counts under the names of the control socket
//	notices.go    the controllers' notices in the log
//
// Commands reach a running daemon through the control socket. `check --live` and the rehearsal start a daemon of their
// own, and use [Daemon.Line] and [Daemon.Backend].
package daemon
