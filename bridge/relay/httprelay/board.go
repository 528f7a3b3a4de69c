package httprelay

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"net"
	"net/http"
	"net/url"
	"sync/atomic"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Board is one device. Add its contacts, then call Start. All methods are safe for concurrent use.
type Board struct {
	controller.Group
	opt  Options
	base *url.URL
	tls  *tls.Config // nil: plain HTTP
	// address is host:port
	address string

	contacts []*Contact // set by Contact before Start
}

// Contact is one contact of a device.
type Contact struct {
	*controller.Contact
	open, close *message
	read, sense *message
	opt         ContactOptions
	seq         atomic.Uint32 // number of the last command
	pacing      pacing
}

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

// NewBoard returns a board with the given options, or [ErrOptions]. It reads the certificate files. It does not
// connect.
func NewBoard(o Options) (*Board, error) {
	o, base, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	b := &Board{opt: o, base: base, address: base.Host}
	if base.Port() == "" {
		b.address = net.JoinHostPort(base.Hostname(), map[string]string{"http": "80", "https": "443"}[base.Scheme])
	}
	if base.Scheme == "https" {
		if b.tls, err = o.tls(base.Hostname()); err != nil {
			return nil, fmt.Errorf("%w: device %s: %w", ErrOptions, o.Name, err)
		}
	}
	return b, nil
}

// tls returns the TLS configuration. It allows session resumption, which costs a small device far less than a new
// session.
func (o Options) tls(host string) (*tls.Config, error) {
	c, err := o.files().Config(host)
	if err != nil {
		return nil, err
	}
	c.NextProtos, c.ClientSessionCache = []string{"http/1.1"}, tls.NewLRUClientSessionCache(4)
	return c, nil
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this process or another
// one has claimed the contact already.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check(b.opt)); err != nil {
		return nil, err
	}
	o = o.withContract()
	c := &Contact{opt: o, pacing: newPacing()}
	c.compile(newCompiler(b, &o))
	var start [4]byte
	rand.Read(start[:]) // never returns an error
	c.seq.Store(binary.NativeEndian.Uint32(start[:]))
	engine := controller.New(controller.Options{Name: b.opt.Name, Noun: "device", At: b.base.Scheme + "://" +
		b.base.Host,
		Connect: func(context.Context) (controller.Session, error) {
			return controller.NewDeviceSession(&device{b, c}, b.opt.Timeout), nil
		},
		Timeout: b.opt.Timeout, Poll: b.opt.Poll, Unordered: true, Notify: b.opt.Notify, NoLock: b.opt.NoLock,
		Now: b.opt.Now})
	co := controller.ContactOptions{Name: o.Name, Claim: c.close.claim(), Kind: o.kind(), Blind: o.Read == nil,
		Senses: o.Sense != nil}
	if o.contract {
		co.Try = controller.TryWithZeroLength
	}
	if t := o.Timed; t != nil {
		co.Timed = &controller.Timed{Quantum: t.unit(), Limit: t.Limit, SurvivesLoss: true}
	}
	var err error
	if c.Contact, err = engine.Contact(co); err != nil {
		return nil, err
	}
	b.Add(engine)
	b.contacts = append(b.contacts, c)
	return c, nil
}

// claim returns a name of the contact, made from its close request. Query and body may hold secrets, so the name
// contains only a hash of them.
func (m *message) claim() string {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s\n%s", m.url, m.body)
	return fmt.Sprintf("%s #%x", m.what, h.Sum64())
}

func (c *Contact) compile(k compiler) {
	o := c.opt
	if o.Timed != nil {
		c.open = k.compile(&o.Timed.Request, http.MethodPost)
	} else {
		c.open = k.compile(o.Open, http.MethodPost)
	}
	c.close = k.compile(o.Close, http.MethodPost)
	if o.Read != nil {
		c.read = k.compile(&o.Read.Request, http.MethodGet)
	}
	if o.Sense != nil {
		c.sense = k.compile(&o.Sense.Request, http.MethodGet)
	}
}
