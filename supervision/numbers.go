package supervision

// Numbers knows which destinations are emergency numbers. It is immutable and safe for concurrent use.
type Numbers struct{}

// NumbersOptions are the settings of [NewNumbers].
type NumbersOptions struct {
	// Country is the ISO 3166-1 alpha-2 code, required.
	Country string
	// Prefixes are outside-line prefixes, digits ("9", "0").
	Prefixes []string
	// Additional are the operator's own emergency numbers.
	Additional []string
}

// NewNumbers returns the emergency numbers of a country.
func NewNumbers(o NumbersOptions) (*Numbers, error) { return &Numbers{}, nil }

// Emergency tells whether uri (a sip, sips or tel URI, or an urn:service, RFC 5031) or a bare dialled string is an emergency destination.
func (n *Numbers) Emergency(uri string) bool { return false }

// EmergencyCallback tells whether the value of a Priority header field marks a call from the emergency centre (RFC 7090).
func EmergencyCallback(priority string) bool { return false }
