// Package registration knows who may speak for a line and where it is reached: the registrar and digest towards the
// adapter, and the registration of each line at the service.
//
//	RFC 3261 section 10.2   registering at the service    client.go; when, and how long after a failure: schedule.go
//	RFC 3261 section 10.3   the registrar                 registrar.go; who was refused: refusals.go
//	RFC 3261 section 22     challenging the adapter       authenticate.go, nonce.go; guessing is slowed: failedlogins.go
//	RFC 7616, RFC 8760      answering a challenge         digest.go; what the credentials are for: target.go
//
// registration.go has the types that others use.
package registration
