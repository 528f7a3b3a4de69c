// Package sipua is the inline SIP user agent of each line: a registrar and outbound server towards the adapter, a user
// agent towards the service, and two legs a call (a B2BUA, RFC 7092). It reports what happened as events and carries
// out effects; it decides nothing about the loop.
//
// # From the RFC to the file
//
// A name that ends in a slash is a package below this one: endpoint/ has sockets and transactions, registration/ the
// registrar, the registration client and digest authentication, sessiontimer/ the arithmetic of session timers.
//
//	RFC 3261 (SIP)
//	  8.1.1              building a request      leg.go (in a call), line.go (to the adapter), second.go (to the service)
//	  8.1.3.4, 21.3      redirection             redirect.go
//	  8.2.1, 8.2.2.3     methods, Require        extensions.go: 405 and 420, Allow and Supported
//	  8.2.2.1            Request-URI             strangers.go, socket.go (404)
//	  8.2.2.2            merged requests (482)   tables.go, call.go
//	  8.2.3              Accept (406), bodies    acceptable.go, sdp.go (415, 488), multipart.go
//	  9.1                sending CANCEL          cancel.go, endpoint/cancel.go; exchange.go (a 200 that crosses it)
//	  9.2                receiving CANCEL        socket.go, cancel.go (our 200 crossed it), endpoint/cancelling.go
//	  10                 registration            registration/; the adapter registers anew: loss.go
//	  11                 OPTIONS                 socket.go and extensions.go (answering), line.go and second.go (asking)
//	  12.1               creating a dialog       leg.go, dialog.go (early dialogs, forks)
//	  12.2.1             requests in a dialog    leg.go; 481 and 408 to one: loss.go (adapter), liveness.go (service)
//	  12.2.2             receiving one           inside.go, tables.go (its dialog), source.go (a wrong source)
//	  13.2               sending INVITE          exchange.go; several 200s: dialog.go and exchange.go
//	  13.3               answering INVITE        answer.go: 200 and its repeats, ACK, failures; prack.go: 1xx
//	  14                 re-INVITE, 491          inside.go, offers.go; our own: sessiontimer.go, moved.go (media that moves)
//	  15                 BYE                     leg.go (sending), inside.go (receiving), late.go (its age)
//	  16.6, 16.8         Timer C                 exchange.go
//	  17, 18             transactions, transport endpoint/
//	  19.1.6             tel URIs                headers.go
//	  20                 header fields           headers.go (which ones pass), passing.go (how much of them)
//	  20.17              Date                    late.go
//	  22                 authentication          registration/, account.go; 401 and 407 from the service: exchange.go
//	  timers             T1, T2, 64*T1, Timer C  times.go
//	RFC 2046, 6442       multipart, location     multipart.go
//	RFC 3262             100rel, PRACK           prack.go
//	RFC 3263             finding servers         endpoint/client.go; going on after a 503: second.go
//	RFC 3264             offer/answer            offers.go (whose turn), sdp.go and sdp_stream.go (rewriting)
//	RFC 3311             UPDATE                  inside.go (with an offer), sessiontimer.go (without)
//	RFC 3325             P-Asserted-Identity     headers.go
//	RFC 3326             Reason                  passing.go
//	RFC 3420, 3515, 3891 transfer                refer.go; also RFC 4488 and RFC 5589
//	RFC 3581, 5626, 6026 rport, keep-alive, 2xx  endpoint/
//	RFC 3842             message waiting         messages.go, summary.go (the body)
//	RFC 4028             session timers          sessiontimer.go, sessiontimer/
//	RFC 4733             telephone events        flash.go, sdp_stream.go
//	RFC 5057             usages of a dialog      inside.go, refer.go
//	RFC 5031             urn:service:sos         dialling.go
//	RFC 5407             race conditions         inside.go
//	RFC 6228             199                     dialog.go
//	RFC 6665             SUBSCRIBE, NOTIFY       subscribing.go (ours), subscribed.go (the adapter's), messages.go
//	RFC 7090             emergency call-back     callback.go
//	RFC 7616, 8760       digest                  registration/
//	RFC 8866             SDP's syntax            sdp_text.go
//
// # What no RFC names
//
//	agent.go, socket.go, account.go   start and end; sockets, and where a request goes; accounts at the services
//	line.go, call.go, leg.go          the effects of a line; a call's mailbox, its events and its two legs
//	tables.go, times.go, counts.go    what is up; durations and their sources; counters
//	source.go, strangers.go, room.go  who may speak: inside a dialog, outside of one, and while room is short
//	limits.go, refused.go, gate.go    how many calls; calls that were refused; the gate that a shutdown shuts
//	dialling.go, holdback.go          what a line may dial; calls of the adapter that end here
//	attempts.go, second.go            an emergency call at both services; the second service
//	liveness.go, loss.go, vanished.go ends that vanish without a BYE: the service's, the adapter's, an emergency call's
//	quiet.go, sound.go, flash.go      silence, missing sound and hook flashes in media
//	ending.go, known.go               clearing everything at shutdown; what is told to people
//
// Package flows plays call flows against one line, and package judge has the rules by which they are judged.
package sipua
