// Package broker is one connection to an MQTT 5 broker: strictly one, which never comes back by itself and keeps
// nothing for later. Who wants another makes it. Protocol and framing are paho.golang's.
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

	"clearback/bridge/relay/transport"
)

// Options say where a broker is and who we are there.
type Options struct {
	// Address is mqtt://host:port, or mqtts://host:port with TLS. Without a port it is 1883 or 8883.
	Address string
	// User and Password are those of the account; a password needs a user. The password is never shown.
	User, Password string
	// TLS are the settings of mqtts.
	TLS transport.TLS
	// Timeout is that of one exchange: the making of a connection, a subscription, a publication.
	Timeout time.Duration
	// KeepAlive in whole seconds, 1 s or more: how often the broker hears from us. It gives up after one and a half
	// times as long.
	KeepAlive time.Duration
	// Dial replaces the network; nil means TCP.
	Dial func(ctx context.Context, address string) (net.Conn, error)
}

// undelivered is how long the kernel may go on trying to deliver what was written: an opening that a blocked link holds
// back must not arrive seconds later.
const undelivered = 500 * time.Millisecond

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("broker: setting out of range")

// Broker is where connections are made. It is safe for concurrent use.
type Broker struct {
	opt     Options
	address string
	tls     *tls.Config // nil: without
}

// New checks the options and reads the files of certificates. Nothing is connected.
func New(o Options) (*Broker, error) {
	bad := func(format string, a ...any) (*Broker, error) {
		return nil, fmt.Errorf("%w: %s", ErrOptions, fmt.Sprintf(format, a...))
	}
	u, err := url.Parse(o.Address)
	if err != nil { // its text may hold what nobody should see
		return bad("address: it cannot be read; write it as mqtt://host:port or mqtts://host:port")
	}
	switch {
	case u.User != nil:
		return bad("address: it has a user; set user and password apart from it, so that they are never shown")
	case u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.Hostname() == "" || u.Opaque != "" ||
		strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
		return bad("address of host %q; write it as mqtt://host:port or mqtts://host:port, and nothing else",
			u.Hostname())
	case u.Scheme == "mqtt" && o.TLS.Any():
		return bad("ca, certificate, key and server name are for mqtts://; the address begins with mqtt://")
	case o.Password != "" && o.User == "":
		return bad("a password without a user")
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return bad("timeout %v; allowed are 20ms to 10s", o.Timeout)
	case o.KeepAlive < time.Second || o.KeepAlive > time.Minute || o.KeepAlive%time.Second != 0:
		return bad("keep-alive %v; allowed are whole seconds, 1s to 1m", o.KeepAlive)
	}
	if o.Dial == nil {
		d := net.Dialer{Timeout: o.Timeout, Control: transport.LimitUnacknowledged(min(o.Timeout, undelivered))}
		o.Dial = func(ctx context.Context, address string) (net.Conn,
			error) {
			return d.DialContext(ctx, "tcp", address)
		}
	}
	b := &Broker{opt: o, address: u.Host}
	if u.Port() == "" {
		b.address = net.JoinHostPort(u.Hostname(), map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme])
	}
	if u.Scheme == "mqtts" {
		if b.tls, err = o.TLS.Config(u.Hostname()); err != nil {
			return bad("%v", err)
		}
	}
	return b, nil
}

// Address is host:port.
func (b *Broker) Address() string { return b.address }

// dial makes the connection under MQTT's. The first result is what can be reset.
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
		_ = raw.Close() // no more than closed
		return nil, nil, fmt.Errorf("TLS: %w", err)
	}
	return raw, t, nil
}

// Unique returns letters that no other process and no other connection has.
func Unique() string { return strings.ToLower(rand.Text()[:13]) } // 65 bits

// CheckTopic looks at a topic that is published to, or subscribed to as it stands.
func CheckTopic(t string) error {
	switch {
	case t == "":
		return errors.New("the topic is missing")
	case len(t) > 1024:
		return fmt.Errorf("the topic has %d bytes; allowed are 1024", len(t)) // our own figure; the protocol's is 65,535
	case strings.ContainsAny(t, "+#"):
		return fmt.Errorf("topic %q: + and # are wildcards, which have no place here", t)
	case strings.ContainsFunc(t, func(r rune) bool { return r < 0x20 || r >= 0x7f && r < 0xa0 || r == 0xfffd }):
		return fmt.Errorf("topic %q: it has control characters, or is not UTF-8", t)
	case t[0] == '$':
		return fmt.Errorf("topic %q: topics that begin with $ are the broker's own", t)
	}
	return nil
}
