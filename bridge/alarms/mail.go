package alarms

import "clearback/bridge/relay/transport"

// MailOptions are a mail server, our account there and one recipient.
type MailOptions struct {
	// Host is the mail server's name. It is also the name in its certificate, unless TLS.ServerName is set.
	Host string
	// Port is the server's port; 0 means 465, or 587 with StartTLS.
	Port int
	// StartTLS begins the connection in clear and demands STARTTLS before anything else (RFC 3207). Otherwise TLS
	// begins at once (RFC 8314). Without TLS nothing is sent.
	StartTLS bool
	TLS      transport.TLS
	// User and Password belong to the account; both empty: no authentication. The password is never shown.
	User, Password string
	// From and To are one address each, such as "alarms@millrace.example". Use a way for each recipient: a server
	// that refuses one address then does not hold up the others.
	From, To string
}
