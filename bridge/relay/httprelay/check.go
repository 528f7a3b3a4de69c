package httprelay

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/transport"
)

const (
	defaultTimeout = time.Second
	// limitMax is the upper bound of the limit option. It only catches mistakes; the policy's bound is far lower.
	limitMax = time.Hour
)

func (o Options) withDefaults() (Options, *url.URL, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Poll == 0 {
		o.Poll = controller.DefaultPoll
	}
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Dial == nil {
		o.Dial = transport.Dial(o.Timeout)
	}
	bad := func(format string, a ...any) (Options, *url.URL, error) {
		return o, nil, fmt.Errorf("%w: device %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	base, err := url.Parse(o.URL)
	if err != nil { // its text may contain a secret
		return bad("url: it cannot be parsed; write it as http://host:port/path")
	}
	switch {
	case base.User != nil:
		return bad("url: it contains a user; set user and password separately, so that they are never shown")
	case base.Scheme != "http" && base.Scheme != "https" || base.Hostname() == "" || base.Opaque != "":
		return bad("url %q; write it as http://host:port/path, or https", o.URL)
	case base.RawQuery != "" || base.Fragment != "" || strings.ContainsAny(o.URL, "?#"):
		return bad("url of host %s: it has a query or a fragment; a query belongs to the path of each request",
			base.Host)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return bad("timeout %v; allowed are 20ms to 10s", o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return bad("poll %v; allowed is 10ms or more", o.Poll)
	case strings.Contains(o.User, ":") || strings.ContainsFunc(o.User+o.Password, isControl):
		return bad("user or password: a user must not contain a colon, and neither may contain control characters " +
			"(RFC 7617)")
	case base.Scheme == "http" && o.CA+o.Certificate+o.Key+o.ServerName != "":
		return bad("ca, certificate, key and server name are for https; the url begins with http")
	case (o.Certificate == "") != (o.Key == ""):
		return bad("certificate and key belong together; give both or none")
	}
	return o, base, nil
}

func isControl(r rune) bool { return r < 0x20 || r == 0x7f }

// withContract fills in this package's own contract, unless the options define requests of their own.
func (o ContactOptions) withContract() ContactOptions {
	if o.Contact == "" {
		o.Contact = o.Name
	}
	if o.Open != nil || o.Close != nil || o.Read != nil || o.Timed != nil && o.Timed.Path != "" {
		return o
	}
	t := Timed{Limit: contractLimit}
	if o.Timed != nil {
		t = *o.Timed
	}
	if t.Limit == 0 {
		t.Limit = contractLimit
	}
	t.Path, t.Body = "/{contact}/pulse", `{"seq":{seq},"ms":{ms}{token}}`
	o.Timed, o.contract = &t, true
	o.Close = &Request{Path: "/{contact}/close", Headers: t.Headers}
	o.Read = &Read{Request: Request{Path: "/{contact}/state", Headers: t.Headers}, Pointer: "/open",
		Open: []string{"true"}, Closed: []string{"false"}}
	return o
}

// contractLimit is the longest opening requested from a contract device if no limit is set. The device may have a lower
// limit.
const contractLimit = 10 * time.Second

// check checks the relations between the parts of a contact's options. The requests themselves are checked when they
// are compiled.
func (o ContactOptions) check() error {
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%w: line %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	switch {
	case o.Close == nil:
		return bad("close is missing: without it an opening cannot be ended")
	case o.Timed != nil && o.Open != nil:
		return bad("timed and open are both set; leave out open, since the device times its openings")
	case o.Timed == nil && o.Open == nil:
		return bad("timed and open are both missing; set timed if the device has a timer, otherwise open")
	}
	if t := o.Timed; t != nil {
		unit := t.unit()
		switch {
		case !t.has("{ms}") && !t.has("{s}"):
			return bad("timed: neither path, body nor headers have {ms} or {s}; " +
				"the length of an opening must be sent with it")
		case unit < time.Millisecond:
			return bad("timed: unit %v; allowed is 1ms or more", unit)
		case unit%time.Millisecond != 0:
			return bad("timed: unit %v; whole milliseconds are allowed", unit)
		case t.Limit < unit || t.Limit > limitMax:
			return bad("timed: limit %v; allowed are %v to %v", t.Limit, unit, limitMax)
		}
	}
	return nil
}

func (r *Read) check() error {
	if len(r.Open) == 0 || len(r.Closed) == 0 {
		return fmt.Errorf("it needs the values of both states")
	}
	for _, v := range r.Open {
		if slices.Contains(r.Closed, v) {
			return fmt.Errorf("%q cannot be both states", v)
		}
	}
	return transport.CheckPointer(r.Pointer)
}

// unit returns the unit to which lengths are rounded up.
func (t *Timed) unit() time.Duration {
	switch {
	case t.Unit != 0:
		return t.Unit
	case t.has("{ms}"):
		return time.Millisecond
	default:
		return time.Second
	}
}

// has reports whether the word occurs in one of the templates.
func (r *Request) has(word string) bool {
	return strings.Contains(r.Path, word) || strings.Contains(r.Body, word) ||
		slices.ContainsFunc(r.Headers, func(h Header) bool { return strings.Contains(h.Value, word) })
}

// kind returns KindOneshot for a timed opening, otherwise KindNone.
func (o ContactOptions) kind() relay.Kind {
	if o.Timed != nil {
		return relay.KindOneshot
	}
	return relay.KindNone
}
