// Package registration decides which requests belong to a line and where the line's adapter is. It contains the
// registrar and digest authentication towards the adapter, and the registration of each line at the service.
//
//	RFC 3261 section 10.2   registering at the service    client.go; refresh and retry intervals: schedule.go
//	RFC 3261 section 10.3   the registrar                 registrar.go; report of refused adapters: refusals.go;
//	                                                      bindings that outlive the process: saved.go;
//	                                                      whom an unchecked request is from: claims.go;
//	                                                      accounts that change: accounts.go
//	RFC 3261 section 22     challenging the adapter       authenticate.go, nonce.go; guessing is slowed: failedlogins.go
//	RFC 7616, RFC 8760      answering a challenge         digest.go; which URI the credentials are for: target.go
//
// registration.go has the types that other packages use.
package registration
