// Package httprelay drives relay contacts on devices that are switched by HTTP or HTTPS requests.
//
// # Requests
//
// What a device wants to be told is given by templates for its URL, headers and body ([ContactOptions]); what it
// answers is judged by status code and, where the code tells too little, by a value in the answer, found by a JSON
// Pointer (RFC 6901). A device that is built for this job needs none of that: it speaks the contract below.
//
// Each request has a connection of its own, which ends with the answer, and is written once, whole, by one write. That
// has four reasons. The last look at the clock comes after the connection and TLS are there, just before the bytes. A
// device that cannot be reached has certainly not been told anything, while a kept connection that has died in the
// meantime leaves that open. A late answer has no newer request to be mistaken for. And nothing repeats a request
// silently, as a client that keeps connections may do with GET: a device that acts and drops the connection has acted
// once. The price is a connection for each request; sessions of TLS are resumed. GET is for devices that know nothing
// else.
//
// An answer counts when it is complete: HTTP/1.0 or 1.1, at most 64 KiB, in time. Redirects are refusals; there are no
// proxies (also not from the environment), no cookies, no compression. Interim answers (1xx) are passed over. Which
// status codes tell that a device did nothing is said at [Request]; after any other failure of a command the outcome is
// unknown, and the contact is closed.
//
// # Kinds, and what happens when something dies
//
// A contact with a timed opening is oneshot: the device ends each opening, whatever dies, but for the device itself.
// One without is none: when the daemon dies, its power fails or the cable is cut while the loop is open, it stays open
// until the daemon or its successor reaches the device again; policy may forbid such a contact. A contact that cannot
// be read back is believed to do what its device answers, and is closed at each poll instead.
//
// # Openings that come late
//
// A request that was given up may still be somewhere: in a proxy, in the device's queue of connections, in its buffers,
// or in a thread of its own that stands still. Nothing can call it back, and a device that serves connections side by
// side may carry it out after a close that was written later and confirmed. Only the device can tell that such an
// opening is stale. With the contract below it does, if its state has a token: the driver asks for the token just
// before each pulse, within the time-out of the pulse, and shows it. A device with the contract whose state has none is
// driven as before.
//
// Without a token, and with requests of the device's own, an opening may so be made late, under whatever call there is
// by then. A timed opening then ends by itself; else the next poll closes the loop again, at most 250 ms later for 10 s
// after an opening of unknown outcome, and then at the poll's pace.
//
// # Wiring
//
// Take the relay's normally-closed contact, so that a device without power holds the loop closed, and make "open" the
// request that energises the relay. The contact has to bear ringing and feed voltage, the coil side has to be isolated
// from the pair, and the device's ground must not touch it. A device should start with its relay at rest. SAFETY.md has
// the numbers, and goes before this text.
//
// Requests over plain HTTP can be read and forged by whoever is on the network between: keep it apart, or use https
// with a certificate that is checked. What cannot be tested without hardware: how a certain device behaves when its
// power fails in the middle of a request.
//
// # The contract
//
// For those who build a device deploy/contract-http.md says more.
//
// The path begins with that of the board's URL and the contact's name. All bodies are JSON objects; members that are
// not named here are left alone by both sides.
//
//	POST <contact>/pulse  {"seq":7,"ms":3000,"token":"9f0…"}   open for 3 s, then close
//	POST <contact>/close                                       close now
//	GET  <contact>/state
//
// Each is answered with 200 and the state when it has been carried out:
// {"open":true,"seq":7,"ms_left":2990,"pulses":12,"token":"77c…"}: whether the loop is open, the last seq (null after
// power-up), how long it stays open (0 if closed), how many pulses there were since power-up, and what the next pulse
// has to show: 1 to 64 letters, digits and - . _ ~.
//
//   - After power-up the loop is closed. There is no opening without an end.
//   - A pulse with the last seq again has no effect, and is answered as the first was. seq is 0 to 4,294,967,295; a master begins anywhere.
//   - A pulse with another seq while the loop is open: the later end counts, never the sum. ms 0 closes.
//   - The device makes a new token every 500 ms, and takes the one before too; after each pulse that it obeys and after each close it takes only one that
//     it has made since. So a token lives for a second at most, needs no clock that anybody sets, and is good for nothing once a close was confirmed.
//     A pulse with any other token, or without one, is refused: 412, and nothing was done. A close needs none and is always obeyed.
//   - Devices from before this rule tell no token and take a pulse without one. They may open late: see above.
//   - 422: ms is above the device's limit; it is never cut. 400: malformed. 404: no such contact. Nothing was done in any of these cases.
package httprelay
