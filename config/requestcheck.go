package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// checkRequests checks how a web device is driven; device is nil if the device is not known.
func (d *decoder) checkRequests(r *Requests, device *HTTPDevice, at string) {
	switch {
	case r.contract():
	case r.Close == nil:
		d.add(d.at(at), "%s.close is missing; add it, because without it an opening cannot be ended early", at)
	case r.Timed != nil && r.Open != nil:
		d.add(d.at(at+".open"),
			"%s.open: the device times openings (timed), so open is never used; remove it", at)
	case r.Timed == nil && r.Open == nil:
		d.add(d.at(at), "%s: add timed if the device can end an opening by itself, else open", at)
	}
	if t := r.Timed; t != nil {
		own := &timer{unit: templateUnit(t.Unit, t.templates()...), limit: t.Limit}
		if r.contract() {
			d.checkLimit(at+".timed", &timer{unit: max(t.Unit, time.Millisecond), limit: t.Limit})
		} else {
			d.checkLength(at+".timed", own, t.templates()...)
			if t.Limit == 0 && !d.has(at+".timed.limit") {
				d.add(d.at(at+".timed"),
					"%s.timed.limit is missing; it is required: the longest opening that the device may be asked for", at)
			}
		}
		d.checkRequest(&t.Request, device, at+".timed", "POST", r.contract(), "{seq}", "{ms}", "{s}")
	}
	for key, q := range map[string]*Request{"open": r.Open, "close": r.Close} {
		if q != nil {
			d.checkRequest(q, device, at+"."+key, "POST", false, "{seq}")
		}
	}
	for key, q := range map[string]*Question{"read": r.Read, "sense": r.Sense} {
		if q != nil {
			d.checkRequest(&q.Request, device, at+"."+key, "GET", false)
			d.checkDisjoint(at+"."+key, "open", q.Open, q.Closed)
		}
	}
}

// nameWords are the words that every template of a request may contain.
var nameWords = []string{"{line}", "{contact}", "{user}", "{password}"}

// checkRequest checks one request. Its templates may contain the words in may, as well as nameWords.
func (d *decoder) checkRequest(q *Request, device *HTTPDevice, at, method string, contract bool, may ...string) {
	if q.Path == "" && !contract && !d.has(at+".path") {
		d.add(d.at(at), "%s.path is missing; it is required: add it here", at)
	}
	if q.Method != "" {
		method = q.Method
	}
	if method == "GET" && q.Body != "" {
		d.add(d.at(at+".body"), "%s.body: a GET has no body; put its content into the path, or use POST", at)
	}
	d.checkWords(at+".path", q.Path, device, may)
	d.checkWords(at+".body", q.Body, device, may)
	for i, code := range q.Refused {
		if slices.Contains(q.Success, code) {
			d.add(d.at(fmt.Sprintf("%s.refused[%d]", at, i)), "%s.refused: %d cannot be both a success and a refusal; remove one of them", at,
				code)
		}
	}
	d.checkHeaders(q.Headers, device, at+".headers", may...)
}

// checkWords checks the words of a template. Its faults do not quote the template, which may hold a secret.
func (d *decoder) checkWords(at, template string, device *HTTPDevice, may []string) {
	for _, w := range requestWord.FindAllString(template, -1) {
		switch {
		case !slices.Contains(nameWords, w) && !slices.Contains(may, w):
			d.add(d.at(at), "%s: it contains a word in braces that is not allowed there; allowed: %s", at,
				strings.Join(append(slices.Clone(nameWords), may...), " "))
			return
		case device == nil, w == "{password}" && d.env.ReadFile == nil: // the value is not known here
		case w == "{user}" && !isUnreserved(device.User), w == "{password}" && !isUnreserved(device.Password.Reveal()):
			d.add(d.at(at), "%s: the controller's value for %s may contain only letters, digits and - . _ ~, and must not be empty; choose another value, or remove the word",
				at, w)
			return
		}
	}
}

func isUnreserved(s string) bool {
	_, err := unreserved(s)
	return err == nil
}

// checkHeaders checks that each header field has exactly one of value and secret.
func (d *decoder) checkHeaders(all []Header, device *HTTPDevice, at string, may ...string) {
	for i, h := range all {
		path := fmt.Sprintf("%s[%d]", at, i)
		if d.has(path+".value") == d.has(path+".secret") && h.Name != "" {
			d.add(d.at(path), "%s: write exactly one of value and secret", path)
		}
		d.checkWords(path+".value", h.Value, device, may)
		d.checkWords(path+".secret", h.Secret.Reveal(), device, may)
	}
}
