package alarms

import "clearback/bridge/relay/transport"

// WebhookOptions are a URL and the secret for its signature.
type WebhookOptions struct {
	// URL is https://host/path, or http:// in a network that you trust. Its path and query are never shown, since they
	// often are a secret.
	URL string
	TLS transport.TLS
	// Secret signs each message; empty: no signature. With the prefix whsec_ the rest is the key in base64; otherwise
	// the text itself is the key.
	Secret string
}
