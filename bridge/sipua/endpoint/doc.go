// Package endpoint is one SIP socket, UDP and TCP on one port: the library's parser and transactions behind sockets and
// a dispatcher of our own, made safe to build a B2BUA on. It hands requests and responses over in the order of arrival
// within a Call-ID, keeps an INVITE transaction alive until its final response, matches CANCEL, refuses malformed
// requests, survives a panicking handler and keeps secrets and bad packets out of the log.
//
// The library (sipgo, its sip package only) brings parser, message types and transaction state machines. Its own
// dispatcher starts a goroutine for each message, which loses the order of the wire: of back-to-back pairs 42 % came
// inverted, and a CANCEL mostly overtook its INVITE. Here the goroutine that reads a socket matches each message to its
// transaction and queues what concerns the user by Call-ID. The sockets are ours too: the library's UDP pool keeps an
// entry for each source, and its TCP reader buffers without a bound.
//
// # From RFC 3261 to the file
//
//	8.2          faulty requests                validate.go; before they are parsed: precheck.go
//	9.1          sending CANCEL                 cancel_client.go
//	9.2          receiving CANCEL               cancel_server.go: which INVITE it is for, and a CANCEL that overtakes it
//	17.1         client transactions            client.go; a connection that dies under one: tcp_retry.go
//	17.2         server transactions            server.go; endings without an answer: drop.go
//	17.1.3, 17.2.3 matching                     dispatch.go
//	18.1, 18.2   UDP                            transport.go
//	18.1, 18.2   TCP                            tcp.go, sockopt_linux.go and sockopt_other.go (dead peers)
//	18.2, 18.2.2 where a response goes          server.go (also RFC 3581)
//	18.3         framing on TCP, keep-alive     tcp_framing.go (also RFC 5626)
//	RFC 3263     looking names up               client.go: addresses only, no SRV
//
// No RFC names:
//
//	endpoint.go, counts.go          start and end, options; counters
//	queue.go                        the order within a Call-ID
//	limits.go, transactions.go, tcp_limits.go every limit with its reason; who gets room for a transaction, for a connection
//	sourcelimits.go                        strangers and what they may send
//	table.go                        maps that give their memory back after a flood
//	arrival.go                      how old a message is, by the kernel's stamps: arrival_linux.go, arrival_other.go (none)
//	log.go, printable.go            the library's log without secrets; text of peers in the log
package endpoint
