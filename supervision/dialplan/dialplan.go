// Package dialplan judges what a line may call: patterns that are allowed or denied, and numbers of other countries. It decides
// nothing about emergency numbers, which are asked about first and always pass.
package dialplan

// Options of [New].
type Options struct {
	// Country is the ISO 3166-1 alpha-2 code.
	Country string
	// Prefixes are outside-line prefixes, digits.
	Prefixes []string
	// Allow and Deny are patterns: digits, x for any digit, a * at the end for any rest.
	Allow, Deny []string
	// International allows numbers of other countries.
	International bool
}

// Plan judges destinations. It is immutable and safe for concurrent use.
type Plan struct{ o Options }

// New checks the options. The error says which pattern is none.
func New(o Options) (*Plan, error) { return &Plan{o: o}, nil }

// Refused is why a destination may not be called; "" if it may.
type Refused string

// Judge takes a destination as the adapter wrote it: the user part of a URI, or a dialled string.
func (p *Plan) Judge(number string) Refused { return "" }
