// Package sipua is the SIP back-to-back user agent of each line (RFC 7092): a registrar and outbound server towards the
// adapter, a user agent towards the service, and two legs a call. It reports what happened as events and carries out
// effects. It decides nothing about the loop.
//
// # From the RFC to the file
//
// A name that ends in a slash is a package below this one: endpoint/ has sockets and transactions, registration/ the
// registrar, the registration client and digest authentication, sessiontimer/ the arithmetic of session timers.
//
//	RFC 3261 (SIP)
//	  8.1.1              building a request      leg.go (in a call), line.go (to the adapter), invite_failover.go (to the service)
//	  8.1.3.4, 21.3      redirection             invite_redirect.go
//	  8.2.1, 8.2.2.3     methods, Require        headers_extensions.go: 405 and 420, Allow and Supported
//	  8.2.2.1            Request-URI             access.go, socket.go (404)
//	  8.2.2.2            merged requests (482)   tables.go, call.go
//	  8.2.3              Accept (406), bodies    headers_accept.go, sdp_relay.go (415, 488), sdp_multipart.go
//	  9.1                sending CANCEL          invite_cancel.go, endpoint/cancel_client.go
//	                     a 200 crosses it        invite.go (success)
//	  9.2                receiving CANCEL        socket.go, endpoint/cancel_server.go
//	                     our 200 crosses it      invite_cancel.go (handleCancel)
//	  10                 registration            registration/; when the adapter registers again: liveness_peer.go
//	  11                 OPTIONS                 socket.go and headers_extensions.go (answering), line.go and invite_failover.go (sending)
//	  12.1               creating a dialog       leg.go, dialog.go (early dialogs, forks)
//	  12.2.1             requests in a dialog    leg.go; a 481 or 408 answer: liveness_peer.go (adapter), liveness.go (service),
//	                                            indialog_failure.go (what the sender gets)
//	  12.2.2             receiving requests      indialog.go, tables.go (finding the dialog), indialog_source.go (the adapter's source)
//	  13.2               sending INVITE          invite.go; several 200s: dialog.go and invite.go
//	  13.3               answering INVITE        invite_response.go: 200 and its retransmissions, ACK, failures; invite_prack.go: 1xx
//	  14                 re-INVITE, 491          indialog.go, offeranswer.go; our own: sessiontimer.go, mediamove.go (media at a new address)
//	  15                 BYE                     leg.go (sending), indialog.go (receiving)
//	                     how old it is           date.go; endpoint/arrival.go (when it reached this machine)
//	  16.6, 16.8         Timer C                 invite.go, invite_failure.go
//	  17, 18             transactions, transport endpoint/
//	  19.1.6             tel URIs                headers.go
//	  20                 header fields           headers.go (which fields pass), headers_limits.go (limits)
//	  20.17              Date                    date.go
//	  22                 authentication          registration/, account.go; 401 and 407 from the service: invite.go
//	  timers             T1, T2, 64*T1, Timer C  times.go
//	RFC 2046, 6442       multipart, location     sdp_multipart.go
//	RFC 3262             100rel, PRACK           invite_prack.go
//	RFC 3263             finding servers         endpoint/client.go; after a 503: invite_failover.go
//	RFC 3264             offer/answer            offeranswer.go (the order), sdp_relay.go and sdp_stream.go (rewriting)
//	RFC 3311             UPDATE                  indialog.go (with an offer), sessiontimer.go (without)
//	RFC 3325             P-Asserted-Identity     headers.go
//	RFC 3326             Reason                  headers_limits.go
//	RFC 3420, 3515, 3891 transfer                transfer.go; also RFC 4488 and RFC 5589
//	RFC 3581, 5626, 6026 rport, keep-alive, 2xx  endpoint/
//	RFC 3680             registration events     account_regevent.go
//	RFC 3842             message waiting         messagewaiting.go, messagewaiting_summary.go (the body)
//	RFC 4028             session timers          sessiontimer.go, sessiontimer/
//	RFC 4733             telephone events        indialog_hookflash.go, sdp_stream.go
//	RFC 5057             usages of a dialog      indialog_failure.go, transfer.go
//	RFC 5031             urn:service:sos         access_dialplan.go
//	RFC 5407             race conditions         indialog.go
//	RFC 6228             199                     dialog.go
//	RFC 6665             SUBSCRIBE, NOTIFY       subscriber.go (ours), messagewaiting_notifier.go (the adapter's), messagewaiting.go
//	RFC 7090             emergency call-back     emergency_callback.go
//	RFC 7616, 8760       digest                  registration/
//	RFC 8866             SDP's syntax            sdp_text.go
//
// # Parts that no RFC describes
//
//	agent.go                   start and end
//	socket.go                  routing of requests; is a call an emergency call, and which digits pass: identifyAdapterCall
//	socket_lines.go            which lines a socket serves, and the addresses that it therefore knows
//	reload.go                  adding, replacing and removing lines
//	account.go                 accounts at the services
//	account_keepalive.go       a service that restarts
//	account_renew.go           a machine that slept, or whose network was away; a lost TCP connection
//	line.go, call.go, leg.go   the effects of a line; a call's mailbox and events; its two legs
//	tables.go                  the calls and dialogs that are up
//	times.go, counts.go        durations and their sources; counters
//	access.go                  accepted sources of requests outside a dialog
//	indialog_source.go         accepted sources of requests inside a dialog
//	access_endpoint.go         accepted sources under load
//	access_calls.go            how many calls a line may have
//	access_refused.go          refused calls
//	secondserver.go            no answers to an adapter, to test its second server
//	access_shutdown.go         the gate that a shutdown shuts
//	access_dialplan.go         what a line may dial, and which numbers are emergency numbers
//	access_outboundblock.go    the adapter's calls that do not pass
//	invite_attempts.go         an emergency call at both services
//	invite_failover.go         the second service
//	liveness.go                a service's end that vanishes without a BYE
//	liveness_peer.go           an adapter's end that vanishes without a BYE
//	liveness_emergency.go      ends that vanish in an emergency call
//	sdp_silence.go             whether the silence of a side means that its sound is lost
//	emergency_sound.go         an emergency call without sound for 2 s
//	indialog_hookflash.go      hook flashes, in INFO and in media
//	shutdown.go                clearing everything at shutdown
//	leave.go                   leaving everything to the next process
//	saved.go                   saving calls for the next process
//	adopt.go                   taking up the calls of an earlier process
//	adopt_line.go              the line of such a call
//	adopt_liveness.go          asking both ends of such a call
//	adopt_ringing.go           such calls that only rang
//	callinfo.go                what is reported to people
//	mediacounts.go             what was received in a call
//
// Package callflow plays call flows against one line. Package conformance has the rules that their traces must keep.
package sipua
