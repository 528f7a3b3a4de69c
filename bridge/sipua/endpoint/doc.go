// Package endpoint is one SIP socket: UDP and TCP on one port. It combines the parser and the transactions of a library
// with sockets and a dispatcher of our own, which are safe to build a B2BUA on. It hands requests and responses to its
// user (the transaction user of RFC 3261) in the order of arrival within a Call-ID. It keeps an INVITE transaction
// alive until its final response, matches CANCEL, refuses malformed requests, survives a panic in the handler, and
// keeps secrets and malformed packets out of the log.
//
// The library (sipgo, only its package sip) provides the parser, the message types and the transaction state machines.
// Its own dispatcher starts a goroutine for each message, which loses the order of arrival: of pairs of messages sent
// back to back, 42 % arrived reversed, and a CANCEL usually overtook its INVITE. Here, the goroutine that reads a
// socket matches each message to its transaction. The work of the user is queued in the mailbox of the dialog's call,
// or else by Call-ID. The sockets are our own as well: the library's UDP pool keeps an entry for each source, and its
// TCP reader buffers without bound.
//
// # From RFC 3261 to the file
//
//	8.2          faulty requests                validate.go; before they are parsed: precheck.go
//	9.1          sending CANCEL                 cancel_client.go
//	9.2          receiving CANCEL               cancel_server.go: which INVITE it is for, reordering
//	17.1         client transactions            client.go; if the TCP connection dies: tcp_retry.go
//	17.2         server transactions            server.go; to end a request without an answer: drop.go
//	17.1.3, 17.2.3 matching                     dispatch.go
//	18.1, 18.2   UDP                            transport.go
//	18.1, 18.2   TCP                            tcp.go; dead peers: sockopt_linux.go and sockopt_other.go
//	18.2, 18.2.2 where a response goes          server.go (also RFC 3581)
//	18.3         framing on TCP, keep-alive     tcp_framing.go (also RFC 5626)
//	RFC 3263     looking up names               client.go: addresses only, no SRV
//
// Files that implement no RFC:
//
//	endpoint.go, counts.go          opening and closing, options; counters
//	serial.go, queue.go             the order within a call, or within a Call-ID
//	limits.go, transactions.go, tcp_limits.go every limit with its reason; who gets room
//	sourcelimits.go                        unknown sources and how much they may send
//	table.go                        maps that free their memory after a flood
//	arrival.go                      how old a message is, by the kernel's stamps: arrival_linux.go, arrival_other.go (none)
//	suspend.go                      how long the machine slept
//	resume.go                       transactions of an earlier process
//	pause.go                        stops reading before another process takes over
//	log.go, printable.go            the library's log without secrets; what peers sent, in the log
package endpoint
