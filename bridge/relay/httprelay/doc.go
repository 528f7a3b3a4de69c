// Package httprelay drives relay contacts on devices that are switched by HTTP or HTTPS requests.
//
// # Requests
//
// Templates for URL, headers and body define the requests to a device ([ContactOptions]). The status code of its answer
// decides whether the device did as asked. If the code is not enough, a value in the answer decides, found by a JSON
// Pointer (RFC 6901). A device built for this job needs no templates: it implements the contract below.
//
// Each request has a connection of its own, which ends with the answer. The request is written completely in one write.
// There are four reasons:
//
//   - The clock is checked after the connection and TLS are set up, just before the bytes are written.
//   - A device that cannot be reached has certainly received nothing. If a kept connection has died, that is not
//     certain.
//   - A late answer cannot be taken for the answer to a newer request.
//   - No request is repeated silently. A client that keeps connections may repeat a GET. A device that acts and then
//     drops the connection has acted once.
//
// The price is a connection for each request; TLS sessions are resumed. Use GET only for devices that accept nothing
// else.
//
// An answer must be complete: HTTP/1.0 or 1.1, at most 64 KiB, in time. Redirects count as refusals. There are no
// proxies (not even from the environment), no cookies and no compression. Interim answers (1xx) are skipped. [Request]
// lists the status codes that mean that a device did nothing. After any other failure of a command the outcome is
// unknown, and the contact is closed.
//
// # Kinds, and what happens when something dies
//
// A contact with a timed opening is of kind oneshot: the device ends each opening, whatever dies except the device
// itself. A contact without a timed opening is of kind none. If the daemon dies, its power fails or the cable is cut
// while the loop is open, the loop stays open until the daemon reaches the device again. The policy may forbid such a
// contact. If a contact cannot be read back, the device's answers are the only confirmation, and each poll closes the
// contact instead of reading it.
//
// # Openings that come late
//
// A request that was given up may still exist: in a proxy, in the device's queue of connections, in its buffers, or in
// a stalled thread. It cannot be recalled. A device that serves several connections at once may carry it out after a
// close that was written and confirmed later. Only the device can detect that such an opening is stale. With the
// contract below it does, if its state has a token. The driver asks for the token just before each pulse, within the
// pulse's time-out, and sends it with the pulse. A contract device whose state has no token gets pulses without one.
//
// Without a token, and with requests of the device's own, an opening may therefore be made late, during whatever call
// is then on the line. A timed opening then ends by itself. Otherwise the next poll closes the loop again: within 250
// ms during the 10 s after an opening of unknown outcome, and at the poll interval after that.
//
// # Closes that come late
//
// A close that was given up may exist in the same way. It would end an opening that was made meanwhile. So the next
// opening waits until a later close was confirmed and the time-out has passed since then. A close that is carried out
// even later ends the opening early. The opening is then too short, and the hold may stay.
//
// # Wiring
//
// Use the relay's normally closed contact, so that the loop is closed when the device has no power, and make "open" the
// request that energises the relay. The contact must withstand the ringing and feed voltage. The coil side must be
// isolated from the pair, and the device's ground must not touch the pair. The relay should be at rest after a start of
// the device. SAFETY.md has the numbers; read it first.
//
// Anybody on the network in between can read and forge plain HTTP requests. Use a separate network, or https with a
// certificate that is checked. What cannot be tested without hardware: how a certain device behaves when its power
// fails in the middle of a request.
//
// # The contract
//
// deploy/contract-http.md has more for those who build a device.
//
// The path is the path of the board's URL followed by the contact's name. All bodies are JSON objects. Both sides
// ignore members that are not named here.
//
//	POST <contact>/pulse  {"seq":7,"ms":3000,"token":"9f0…"}   open for 3 s, then close
//	POST <contact>/close                                       close now
//	GET  <contact>/state
//
// The answer to each, once carried out, is 200 and the state:
//
//	{"open":true,"seq":7,"ms_left":2990,"pulses":12,"token":"77c…"}
//
// The members are: whether the loop is open; the last seq (null after power-up); how long the loop stays open (0 if
// closed); the number of pulses since power-up; and the token for the next pulse, 1 to 64 letters, digits and - . _ ~.
//
//   - After power-up the loop is closed. There is no opening without an end.
//   - A pulse that repeats the last seq has no effect and gets the same answer. seq is 0 to 4,294,967,295; a master may
//     begin anywhere.
//   - A pulse with another seq while the loop is open: the later end counts, never the sum. An ms of 0 closes.
//   - The device makes a new token every 500 ms, and accepts the previous one too. After each pulse that it obeys and
//     after each close, it accepts only tokens made since then. So a token lives for at most a second, needs no clock
//     that must be set, and is useless once a close was confirmed. A pulse with another token, or without one, is
//     refused with 412, and nothing is done. A close needs no token and is always obeyed.
//   - A device that predates this rule has no token in its state and accepts a pulse without one. It may open late; see
//     above.
//   - 422: ms is above the device's limit; it is never shortened. 400: malformed. 404: no such contact. Nothing is done
//     in any of these cases.
package httprelay
