package config

import (
	"fmt"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/httprelay"
)

// HTTPDevice is a device that is switched by HTTP.
type HTTPDevice struct {
	URL string // url:
	Peer
	Headers []Header // headers: of every request
}

// Header is a header field of every request, such as an API key. It has exactly one of Value and Secret.
type Header struct {
	Name   string // name:
	Value  string // value: the literal value
	Secret Secret // secret: from a file, the environment or a credential
}

// Requests says how a web device drives the contact. Without open, close, read and timed.path the device uses our own
// contract.
type Requests struct {
	Contact string        // contact: the word {contact}; empty means the line's name
	Timed   *TimedRequest // timed:
	Open    *Request      // open:
	Close   *Request      // close:
	Read    *Question     // read:
	Sense   *Question     // sense:
}

// Request is one HTTP request to a web device.
type Request struct {
	Method      string   // method: POST, PUT, PATCH, GET
	Path        string   // path:
	Body        string   // body:
	ContentType string   // content_type:
	Headers     []Header // headers:
	Success     []int    // success: status codes
	Refused     []int    // refused: status codes
	Expect      *Expect  // expect:
}

// Expect is what a successful response must contain.
type Expect struct {
	Pointer string   // pointer: a JSON Pointer (RFC 6901)
	Values  []string // values:
}

// TimedRequest requests an opening that the device ends. {ms} or {s} in it stands for the length.
type TimedRequest struct {
	Request
	Unit  time.Duration // unit:
	Limit time.Duration // limit:
}

// Question is a request whose response reports one of two states.
type Question struct {
	Request
	Pointer      string   // pointer:
	Open, Closed []string // open:, closed:
}

var httpDevices = driver{
	name: DriverHTTP, controller: "http", contact: "http",
	controllerKey: func(c *Controller) key {
		return optional("http", &c.HTTP, func() HTTPDevice { return HTTPDevice{Peer: Peer{Timeout: defaultSlowTimeout}} },
			httpDeviceKeys)
	},
	contactKeys: func(c *Contact) []key { return []key{optional("http", &c.HTTP, fresh[Requests], requestsKeys)} },
	complete: func(k *Contact) {
		if k.HTTP == nil {
			k.HTTP = &Requests{}
		}
	},
	claim: func(c *Controller) claim {
		if c.HTTP == nil {
			return claim{}
		}
		return claim{"url", "device ", strings.ToLower(strings.TrimRight(c.HTTP.URL, "/")), "is the same device",
			"one device is one controller: name that one in the lines"}
	},
	check: func(c *Controller) []relay.Fault {
		o := c.HTTPDevice()
		o.Password = c.HTTP.Password.forCheck()
		return o.Check()
	},
	files: func(c *Controller) *Peer {
		if c.HTTP == nil {
			return nil
		}
		return &c.HTTP.Peer
	},
	checkContact: func(d *decoder, l *Line, c *Controller) []relay.Fault {
		device := httprelay.Options{User: "unknown"}
		if c != nil && c.HTTP != nil {
			device = c.HTTPDevice()
		}
		if c == nil || c.HTTP == nil || d.env.ReadFile == nil { // the password is not known, or secrets are not fetched
			device.Password = "unknown"
		}
		return l.HTTP().Check(device)
	},
	share: func(_ *decoder, l *Line, at string, unique uniqueCheck) {
		k := &l.Contact
		if k.HTTP == nil {
			return
		}
		word := k.HTTP.Contact
		if word == "" {
			word = l.Name
		}
		r := strings.NewReplacer("{line}", l.Name, "{contact}", word)
		if q := k.HTTP.Close; q != nil {
			unique(at+".http.close", fmt.Sprintf("http %s %q %q", k.Controller, r.Replace(q.Path), r.Replace(q.Body)),
				"the close at "+k.Controller, oneContactPerLine)
		} else if k.HTTP.contract() {
			unique(at+".http.contact", "http "+k.Controller+" "+word,
				fmt.Sprintf("contact %s of %s", word, k.Controller), oneContactPerLine)
		}
	},
	timer: func(k *Contact) *timer {
		switch {
		case k.HTTP == nil:
		case k.HTTP.contract():
			t := &timer{"http", time.Millisecond, httprelay.ContractLimit}
			if o := k.HTTP.Timed; o != nil {
				t.at, t.unit = "http.timed", max(o.Unit, time.Millisecond)
				if o.Limit > 0 {
					t.limit = o.Limit
				}
			}
			return t
		case k.HTTP.Timed != nil:
			t := k.HTTP.Timed
			return &timer{"http.timed", controller.TemplateUnit(t.Unit, t.templates()...), t.Limit}
		}
		return nil
	},
	senses:  func(k *Contact) bool { return k.HTTP != nil && k.HTTP.Sense != nil },
	place:   func(k *Contact) string { return "web device " + k.Controller },
	raise:   raiseByTimer,
	consent: timerConsent,
	fails:   "the daemon, this machine or the network to the device fails",
	dies:    "If the daemon or the link to the contact fails during an interruption, the loop stays open until somebody closes it",
	late: func(k *Contact) string {
		if k.HTTP == nil || k.HTTP.contract() {
			return "If the network or the device delays an opening, a device that reports a token in its state refuses it; a device that reports none may open late, during whatever call is then in progress (SAFETY.md 77). "
		}
		return "An opening that the network or the device delays may happen late, during whatever call is then in progress (SAFETY.md 77). "
	},
}

func raiseByTimer(*Contact) string { return "add timed if it can end an opening by itself" }

// timerConsent is the reason why a contact that only lacks a timer needs consent.
const timerConsent = "without timed the loop stays open if the daemon or the link to the contact fails during an interruption; add timed"

func httpDeviceKeys(h *HTTPDevice) []key {
	return append(peerKeys(&h.Peer),
		required(unquoted("url", &h.URL, "http://host or https://host", deviceURL)),
		headers(&h.Headers),
	)
}

func headerKeys(f *Header) []key {
	return []key{required(value("name", &f.Name, "the name of a header", token)),
		unquoted("value", &f.Value, "a text", printable), secret("secret", &f.Secret)}
}

func requestsKeys(r *Requests) []key {
	return []key{
		value("contact", &r.Contact, "a name", unreserved),
		optional("timed", &r.Timed, fresh[TimedRequest], func(t *TimedRequest) []key {
			return append(requestKeys(&t.Request), lengthUnit(&t.Unit), lengthLimit(&t.Limit))
		}),
		optional("open", &r.Open, fresh[Request], requestKeys),
		optional("close", &r.Close, fresh[Request], requestKeys),
		optional("read", &r.Read, fresh[Question], questionKeys),
		optional("sense", &r.Sense, fresh[Question], questionKeys),
	}
}

func requestKeys(r *Request) []key {
	return []key{
		choice("method", &r.Method, "POST", "PUT", "PATCH", "GET"),
		unquoted("path", &r.Path, "a path", requestPath), // the query may contain a key
		literal("body", &r.Body),
		value("content_type", &r.ContentType, "a media type", printable),
		headers(&r.Headers),
		values("success", &r.Success, "a status code", statusCode),
		values("refused", &r.Refused, "a status code", statusCode),
		optional("expect", &r.Expect, fresh[Expect], func(e *Expect) []key {
			return []key{value("pointer", &e.Pointer, "a JSON Pointer", jsonPointer),
				required(literals("values", &e.Values))}
		}),
	}
}

func questionKeys(q *Question) []key {
	return append(requestKeys(&q.Request), twoValues(&q.Pointer, &q.Open, &q.Closed)...)
}

// templates returns the parts of a request that may contain words in braces.
func (r *Request) templates() []string {
	all := []string{r.Path, r.Body}
	for i := range r.Headers {
		all = append(all, r.Headers[i].Value, r.Headers[i].Secret.Reveal())
	}
	return all
}

// contract reports whether a web device uses our own contract.
func (r *Requests) contract() bool {
	return r.Open == nil && r.Close == nil && r.Read == nil && (r.Timed == nil || r.Timed.Path == "")
}

// headers is a list of header fields, each with exactly one of value and secret.
func headers(into *[]Header) key {
	k := list("headers", into, fresh[Header], headerKeys)
	read := k.read
	k.read = func(d *decoder, path string, n *yaml.Node) {
		read(d, path, n)
		for i, h := range *into {
			at := fmt.Sprintf("%s[%d]", path, i)
			if d.has(at+".value") == d.has(at+".secret") && h.Name != "" {
				d.add(d.at(at), "%s: write exactly one of value and secret", at)
			}
		}
	}
	return k
}

// HTTPDevice returns the options of the driver.
func (c *Controller) HTTPDevice() httprelay.Options {
	k := c.HTTP
	if k == nil {
		return httprelay.Options{Name: c.Name}
	}
	return httprelay.Options{Name: c.Name, URL: k.URL, User: k.User, Password: k.Password.Reveal(),
		Headers: headerOptions(k.Headers), CA: k.CA, Certificate: k.Certificate, Key: k.Key, ServerName: k.ServerName,
		Timeout: k.Timeout}
}

func headerOptions(all []Header) []httprelay.Header {
	var h []httprelay.Header
	for _, f := range all {
		v := f.Value
		if v == "" {
			v = f.Secret.Reveal()
		}
		h = append(h, httprelay.Header{Name: f.Name, Value: v})
	}
	return h
}

// HTTP returns the options of the driver for the line's contact.
func (l *Line) HTTP() httprelay.ContactOptions {
	o := httprelay.ContactOptions{Name: l.Name}
	r := l.Contact.HTTP
	if r == nil {
		return o // our own contract
	}
	o.Contact, o.Open, o.Close, o.Read, o.Sense = r.Contact, r.Open.options(), r.Close.options(), r.Read.options(),
		r.Sense.options()
	if t := r.Timed; t != nil {
		o.Timed = &httprelay.Timed{Request: *t.Request.options(), Unit: t.Unit, Limit: t.Limit}
	}
	return o
}

func (r *Request) options() *httprelay.Request {
	if r == nil {
		return nil
	}
	o := &httprelay.Request{Method: r.Method, Path: r.Path, Body: r.Body, ContentType: r.ContentType,
		Headers: headerOptions(r.Headers), Success: r.Success, Refused: r.Refused}
	if e := r.Expect; e != nil {
		o.Expect = &httprelay.Expect{Pointer: e.Pointer, Values: e.Values}
	}
	return o
}

func (q *Question) options() *httprelay.Read {
	if q == nil {
		return nil
	}
	return &httprelay.Read{Request: *q.Request.options(), Pointer: q.Pointer, Open: q.Open, Closed: q.Closed}
}
