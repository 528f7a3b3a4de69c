package httprelay

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/transport"
)

const defaultTimeout = time.Second

func (o Options) withDefaults() (Options, *url.URL, error) {
	faults := slices.DeleteFunc(o.Check(), func(f relay.Fault) bool {
		// without a user no password is sent, and a faulty file must not keep the contacts from being closed
		return f.Key == "password" && o.User == ""
	})
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	if o.Dial == nil {
		o.Dial = transport.Dial(o.Timeout)
	}
	if err := relay.FaultError(ErrOptions, "device "+o.Name, faults); err != nil {
		return o, nil, err
	}
	base, err := url.Parse(o.URL)
	return o, base, err
}

// Check returns what is wrong with the options. It reads no file and shows no secret.
func (o Options) Check() []relay.Fault {
	f := relay.Faults(relay.CheckTimes(o.Timeout, o.Poll))
	base, err := url.Parse(o.URL)
	switch {
	case err != nil: // its text may contain a secret
		f.Add("url", "it cannot be parsed; write it as http://host:port/path")
	case base.User != nil:
		f.Add("url", "it contains a user; write user and password as keys of their own")
	case base.Scheme != "http" && base.Scheme != "https" || base.Hostname() == "" || base.Opaque != "":
		f.Add("url", "%q: write it as http://host:port/path, or https", o.URL)
	case base.RawQuery != "" || base.Fragment != "" || strings.ContainsAny(o.URL, "?#"):
		f.Add("url", "host %s: it has a query or a fragment; a query belongs to the path of each request", base.Host)
	default:
		f = append(f, o.files().Check(base.Scheme == "https", "url", "https://")...)
	}
	if strings.Contains(o.User, ":") || strings.ContainsFunc(o.User, isControl) {
		f.Add("user", "it must not contain a colon or control characters (RFC 7617)")
	}
	switch {
	case o.Password != "" && o.User == "":
		f.Add("password", "a password needs a user; add user")
	case strings.ContainsFunc(o.Password, isControl):
		f.Add("password", "it must not contain control characters (RFC 7617)")
	}
	c := checker{f, map[string]string{"{user}": o.User, "{password}": o.Password}}
	c.headers("headers", o.Headers, nil)
	return c.Faults
}

func (o Options) files() transport.TLS {
	return transport.TLS{CA: o.CA, Certificate: o.Certificate, Key: o.Key, ServerName: o.ServerName}
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
	t := Timed{Limit: ContractLimit}
	if o.Timed != nil {
		t = *o.Timed
	}
	if t.Limit == 0 {
		t.Limit = ContractLimit
	}
	t.Path, t.Body = "/{contact}/pulse", `{"seq":{seq},"ms":{ms}{token}}`
	o.Timed, o.contract = &t, true
	o.Close = &Request{Path: "/{contact}/close", Headers: t.Headers}
	o.Read = &Read{Request: Request{Path: "/{contact}/state", Headers: t.Headers}, Pointer: "/open",
		Open: []string{"true"}, Closed: []string{"false"}}
	return o
}

// ContractLimit is the longest opening requested from a device with the contract if no limit is set. The device may
// have a lower limit.
const ContractLimit = 10 * time.Second

// Check returns what is wrong with the options of a contact of a device. It shows no template, which may contain a
// secret.
func (o ContactOptions) Check(device Options) []relay.Fault {
	full := o.withContract()
	var f relay.Faults
	switch {
	case full.Close == nil:
		f = append(f, relay.Missing("close", "add it, because without it an opening cannot be ended early"))
	case full.Timed != nil && full.Open != nil:
		f.Add("open", "the device times openings (timed), so open is never used; remove it")
	case full.Timed == nil && full.Open == nil:
		f.Add("", "add timed if the device can end an opening by itself, else open")
	}
	if t := full.Timed; t != nil {
		if !t.has("{ms}") && !t.has("{s}") {
			f.Add("timed", "it contains neither {ms} nor {s}; it has to contain the length of the opening")
		}
		if t.Limit == 0 {
			f = append(f, relay.Missing("timed.limit",
				"it is required: the longest opening that the device may be asked for"))
		} else {
			controller.CheckLength(&f, "timed", t.unit(), t.Limit)
		}
	}
	c := checker{f, map[string]string{"{line}": full.Name, "{contact}": full.Contact, "{user}": device.User,
		"{password}": device.Password}}
	for _, u := range o.uses() {
		c.check(u, full.contract)
	}
	return c.Faults
}

// unit returns the unit to which lengths are rounded up.
func (t *Timed) unit() time.Duration { return controller.TemplateUnit(t.Unit, t.templates()...) }

// templates returns the parts of a request that may contain words in braces.
func (r *Request) templates() []string {
	all := []string{r.Path, r.Body}
	for _, h := range r.Headers {
		all = append(all, h.Value)
	}
	return all
}

// has reports whether the word occurs in one of the templates.
func (r *Request) has(word string) bool {
	return controller.Contains(word, r.templates()...)
}

// kind returns KindOneshot for a timed opening, otherwise KindNone.
func (o ContactOptions) kind() relay.Kind {
	if o.Timed != nil {
		return relay.KindOneshot
	}
	return relay.KindNone
}
