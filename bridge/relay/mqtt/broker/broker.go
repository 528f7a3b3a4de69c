// Package broker is one connection to an MQTT 5 broker. A connection never reconnects and queues nothing for later; the
// caller makes a new one. Protocol and framing come from paho.golang.
package broker

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/transport"
)

// Options are a broker's address and our account there.
type Options struct {
	// Address is mqtt://host:port, or mqtts://host:port with TLS. The default port is 1883, or 8883 with TLS.
	Address string
	// User and Password belong to the account; a password needs a user. The password is never shown.
	User, Password string
	// TLS holds the settings for mqtts.
	TLS transport.TLS
	// Timeout is the time-out of one exchange: a connection, a subscription, a publication.
	Timeout time.Duration
	// KeepAlive is the MQTT keep-alive, in whole seconds, at least 1 s. The broker gives up after one and a half times
	// KeepAlive without a packet from us.
	KeepAlive time.Duration
	// Dial replaces the network; nil means TCP.
	Dial func(ctx context.Context, address string) (net.Conn, error)
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("broker: setting out of range")

// Broker makes connections to one broker. It is safe for concurrent use.
type Broker struct {
	opt     Options
	address string
	tls     *tls.Config // nil for a connection without TLS
}

// Check returns what is wrong with the options. It reads no file.
func (o Options) Check() []relay.Fault {
	const write = "write mqtt://host:port or mqtts://host:port"
	f := relay.Faults(relay.CheckTimes(o.Timeout, 0))
	u, err := url.Parse(o.Address)
	switch {
	case err != nil: // its text may contain a secret
		f.Add("address", "it cannot be parsed; "+write)
	case u.User != nil:
		f.Add("address", "it contains a user; write user and password as keys of their own")
	case u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.Hostname() == "" || u.Opaque != "" ||
		strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		f.Add("address", "host %q: %s, and nothing else", u.Hostname(), write)
	default:
		f = append(f, o.TLS.Check(u.Scheme == "mqtts", "address", "mqtts://")...)
	}
	if o.Password != "" && o.User == "" {
		f.Add("password", "a password needs a user; add user")
	}
	if o.KeepAlive < time.Second || o.KeepAlive > time.Minute || o.KeepAlive%time.Second != 0 {
		f.Add("keep_alive", "%v is out of range; allowed: 1s to 1m0s in whole seconds", o.KeepAlive)
	}
	return f
}

// New returns a Broker with the given options, or [ErrOptions]. It reads the certificate files. It does not connect.
func New(o Options) (*Broker, error) {
	if faults := o.Check(); len(faults) > 0 {
		return nil, relay.FaultError(ErrOptions, "options", faults)
	}
	u, err := url.Parse(o.Address)
	if err != nil {
		return nil, fmt.Errorf("%w: the address cannot be parsed", ErrOptions) // Check has reported it
	}
	if o.Dial == nil {
		o.Dial = transport.Dial(o.Timeout)
	}
	b := &Broker{opt: o, address: u.Host}
	if u.Port() == "" {
		b.address = net.JoinHostPort(u.Hostname(), map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme])
	}
	if u.Scheme == "mqtts" {
		if b.tls, err = o.TLS.Config(u.Hostname()); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrOptions, err)
		}
	}
	return b, nil
}

// Address returns host:port.
func (b *Broker) Address() string { return b.address }

// dial makes the connection that MQTT uses, with TLS if configured. The result raw is the TCP connection beneath, which
// can be reset.
func (b *Broker) dial(ctx context.Context) (raw, conn net.Conn, err error) {
	raw, err = b.opt.Dial(ctx, b.address)
	if err != nil {
		return nil, nil, err
	}
	if b.tls == nil {
		return raw, raw, nil
	}
	t := tls.Client(raw, b.tls)
	if err := t.HandshakeContext(ctx); err != nil {
		_ = raw.Close() // the only error is that it is closed already
		return nil, nil, fmt.Errorf("TLS: %w", err)
	}
	return raw, t, nil
}

// Unique returns a random name that no other process or connection uses.
func Unique() string { return strings.ToLower(rand.Text()[:13]) } // 65 bits

// CheckTopic checks a topic for publishing, or for subscribing without wildcards.
func CheckTopic(t string) error {
	switch {
	case t == "":
		return errors.New("the topic is missing")
	case len(t) > 1024:
		// our own figure; the protocol allows 65,535
		return fmt.Errorf("the topic has %d bytes; allowed are 1024", len(t))
	case strings.ContainsAny(t, "+#"):
		return fmt.Errorf("topic %q: + and # are wildcards, which are not allowed here", t)
	case strings.ContainsFunc(t, func(r rune) bool { return r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0xfffd }):
		return fmt.Errorf("topic %q: it has control characters, or is not UTF-8", t)
	case t[0] == '$':
		return fmt.Errorf("topic %q: topics that begin with $ are the broker's own", t)
	}
	return nil
}
