package config

import (
	"time"

	"clearback/bridge/relay/controller"
	"clearback/supervision"
)

// Peer says how we and a broker or a web device authenticate each other.
type Peer struct {
	User     string // user:
	Password Secret // password:
	// CA, Certificate and Key are paths of PEM files.
	CA, Certificate, Key string        // ca:, certificate:, key:
	ServerName           string        // server_name: the name in the certificate
	Timeout              time.Duration // timeout: of one command
}

func timeout(into *time.Duration) key {
	return duration("timeout", into, leastTimeout, mostTimeout)
}

func peerKeys(p *Peer) []key { return append(accessKeys(p), timeout(&p.Timeout)) }

func accessKeys(p *Peer) []key {
	return append([]key{value("user", &p.User, "a name", userName), secret("password", &p.Password)},
		certificateKeys(p)...)
}

func certificateKeys(p *Peer) []key {
	return []key{
		text("ca", &p.CA, "a path"),
		text("certificate", &p.Certificate, "a path"),
		keyFile("key", &p.Key),
		value("server_name", &p.ServerName, "a host", host),
	}
}

func fresh[T any]() T {
	var zero T
	return zero
}

func twoValues(pointer *string, open, closed *[]string) []key {
	return []key{value("pointer", pointer, "a JSON Pointer", jsonPointer), required(literals("open", open)),
		required(literals("closed", closed))}
}

// No opening is longer than IntervalCeiling, so no unit needs to be longer.
func lengthUnit(into *time.Duration) key {
	return value("unit", into, "a time like 100ms", wholeMilliseconds(time.Millisecond, supervision.IntervalCeiling))
}

func lengthLimit(into *time.Duration) key {
	return duration("limit", into, time.Millisecond, controller.LongestLimit)
}
