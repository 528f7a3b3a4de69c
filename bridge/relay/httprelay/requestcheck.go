package httprelay

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/transport"
)

// use is one request of a contact, with what it may contain.
type use struct {
	key    string
	method string // the default
	may    []string
	*Request
	states *Read // nil for a command
}

// uses returns the requests that are set.
func (o *ContactOptions) uses() (all []use) {
	if o.Timed != nil {
		all = append(all, use{"timed", http.MethodPost, []string{"{seq}", "{ms}", "{s}"}, &o.Timed.Request, nil})
	}
	if o.Open != nil {
		all = append(all, use{"open", http.MethodPost, []string{"{seq}"}, o.Open, nil})
	}
	if o.Close != nil {
		all = append(all, use{"close", http.MethodPost, []string{"{seq}"}, o.Close, nil})
	}
	if o.Read != nil {
		all = append(all, use{"read", http.MethodGet, nil, &o.Read.Request, o.Read})
	}
	if o.Sense != nil {
		all = append(all, use{"sense", http.MethodGet, nil, &o.Sense.Request, o.Sense})
	}
	return all
}

// checker collects the faults of requests. values maps the words in braces that stand for names to these names, as far
// as they are known.
type checker struct {
	relay.Faults
	values map[string]string
}

// names are the words in braces that stand for names. Every template may contain them.
var names = []string{"{line}", "{contact}", "{user}", "{password}"}

// check checks one request. ours means that this package's contract fills in path and body.
func (c *checker) check(u use, ours bool) {
	method := u.method
	if u.Method != "" {
		method = u.Method
	}
	path := u.key + ".path"
	switch {
	case u.Path == "" && ours:
	case u.Path == "":
		c.Faults = append(c.Faults, relay.Missing(path, "it is required: add it here"))
	case !isPath(u.Path):
		c.Add(path, "this is not a path; begin it with /, and write characters that a URL cannot contain as %%XX")
	}
	if !slices.Contains(methods[:], method) {
		c.Add(u.key+".method", "%q is not known; allowed: %s", method, strings.Join(methods[:], ", "))
	}
	if method == http.MethodGet && u.Body != "" {
		c.Add(u.key+".body", "a GET has no body; put its content into the path, or use POST")
	}
	if strings.ContainsFunc(u.ContentType, isControl) {
		c.Add(u.key+".content_type", "it contains control characters")
	}
	c.words(path, u.Path, u.may)
	c.words(u.key+".body", u.Body, u.may)
	c.headers(u.key+".headers", u.Headers, u.may)
	c.answers(u.key, u.Request)
	if u.states != nil {
		controller.CheckStates(&c.Faults, u.key, "open", u.states.Open, "closed", u.states.Closed)
		c.pointer(u.key+".pointer", u.states.Pointer)
	}
}

func isPath(p string) bool {
	_, err := url.Parse("http://device" + p)
	return err == nil && p[0] == '/' &&
		!strings.ContainsFunc(p, func(c rune) bool { return c <= ' ' || c >= 0x7f || c == '#' })
}

// words checks the words in braces of a template. Its faults do not quote the template, which may contain a secret.
func (c *checker) words(key, template string, may []string) {
	for _, w := range wordLike.FindAllString(template, -1) {
		if !slices.Contains(names, w) && !slices.Contains(may, w) {
			c.Add(key, "it contains a word in braces that is not allowed there; allowed: %s",
				strings.Join(slices.Concat(names, may), " "))
			return
		}
		if value, known := c.values[w]; known && !unreserved.MatchString(value) {
			c.Add(key, "the controller's value for %s may contain only letters, digits and - . _ ~, and must not be empty; choose another value, or remove the word",
				w)
			return
		}
	}
}

func (c *checker) headers(key string, all []Header, may []string) {
	for i, h := range all {
		at := fmt.Sprintf("%s[%d]", key, i)
		switch {
		case !token.MatchString(h.Name):
			c.Add(at+".name", "%q is not the name of a header field; write one such as X-Api-Key", h.Name)
		case slices.Contains(framing[:], http.CanonicalHeaderKey(h.Name)):
			c.Add(at+".name", "%q is a header field that the driver sets; remove it (the key for the type of a body is content_type)",
				h.Name)
		}
		if strings.ContainsFunc(h.Value, isControl) {
			c.Add(at+".value", "it contains control characters")
		}
		c.words(at+".value", h.Value, may)
	}
}

// answers checks what a request says about its answer.
func (c *checker) answers(key string, r *Request) {
	for _, list := range []struct {
		key   string
		codes []int
	}{{"success", r.Success}, {"refused", r.Refused}} {
		for i, code := range list.codes {
			at := fmt.Sprintf("%s.%s[%d]", key, list.key, i)
			switch {
			case code < 200 || code > 599 || code/100 == 3:
				c.Add(at, "%d is not an allowed status code; allowed: 200 to 299 and 400 to 599 (a redirect is neither followed nor a success)",
					code)
			case list.key == "refused" && slices.Contains(r.Success, code):
				c.Faults = append(c.Faults, relay.Fault{Key: key + ".refused", At: at,
					Problem: fmt.Sprintf("%d cannot be both a success and a refusal; remove one of them", code)})
			}
		}
	}
	if e := r.Expect; e != nil {
		if len(e.Values) == 0 {
			c.Faults = append(c.Faults, relay.Missing(key+".expect.values", "it is required: add it here"))
		}
		c.pointer(key+".expect.pointer", e.Pointer)
	}
}

func (c *checker) pointer(key, p string) {
	if err := transport.CheckPointer(p); err != nil {
		c.Add(key, "%v", err)
	}
}
