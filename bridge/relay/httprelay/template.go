package httprelay

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"clearback/bridge/relay/transport"
)

var (
	// wordLike finds what is meant as a template word. In JSON a letter never follows an opening brace.
	wordLike = regexp.MustCompile(`\{[A-Za-z_]+\}`)
	// unreserved matches unreserved characters (RFC 3986, section 2.3), which need no escaping in paths, queries, forms
	// or JSON strings.
	unreserved = regexp.MustCompile(`^[A-Za-z0-9._~-]+$`)
	// token matches the token of RFC 9110, section 5.6.2.
	token = regexp.MustCompile("^[!#$%&'*+.^_`|~0-9A-Za-z-]+$")
)

var (
	// methods lists the allowed methods.
	methods = [...]string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodGet}
	// framing lists the header fields that control how a message is framed.
	framing = [...]string{"Host", "Connection", "Content-Length", "Transfer-Encoding", "Trailer", "Upgrade", "Expect",
		"Te", "Keep-Alive", "Content-Type"}
)

// message is a request that is complete except for its numbers.
type message struct {
	// for errors: "POST http://relays.example/{contact}/pulse", without the query and with unreplaced words
	what    string
	method  string
	url     string
	headers []Header
	body    string
	success []int
	refused []int
	expect  *Expect
	secrets []string // texts that an answer may repeat and that no error may show
}

// compiler makes messages for one contact.
type compiler struct {
	board *Board
	opt   *ContactOptions
	names *strings.Replacer
}

func newCompiler(b *Board, o *ContactOptions) compiler {
	return compiler{b, o, strings.NewReplacer("{line}", o.Name, "{contact}", o.Contact, "{user}", b.opt.User,
		"{password}", b.opt.Password)}
}

// compile checks a request and fills in the names. The string method is the default method, and may lists the allowed
// template words besides names.
func (k compiler) compile(name string, r *Request, method string, may ...string) (*message, error) {
	m, err := k.build(r, method, may)
	if err == nil {
		err = checkAnswers(r)
	}
	if err != nil {
		return nil, fmt.Errorf("%w: line %s: %s: %w", ErrOptions, k.opt.Name, name, err)
	}
	return m, nil
}

func (k compiler) build(r *Request, method string, may []string) (*message, error) {
	if r.Method != "" {
		method = r.Method
	}
	base := k.board.base
	shown, _, _ := strings.Cut(r.Path, "?")
	switch {
	case !slices.Contains(methods[:], method):
		return nil, fmt.Errorf("method %q; "+
			"allowed are POST, PUT, PATCH, and GET for a device that accepts nothing else", method)
	case !strings.HasPrefix(r.Path, "/"):
		return nil, fmt.Errorf("path %q; it begins with /", shown)
	case method == http.MethodGet && r.Body != "":
		return nil, fmt.Errorf("a GET has no body; put its values into the path, or use POST")
	}
	prefix := base.Scheme + "://" + base.Host + strings.TrimSuffix(base.EscapedPath(), "/")
	m := &message{method: method, what: method + " " + prefix + shown, success: r.Success, refused: r.Refused,
		expect: r.Expect}
	var err error
	if m.url, err = k.fill("path", prefix+r.Path, may); err != nil {
		return nil, err
	}
	plain := func(c rune) bool { return c <= ' ' || c >= 0x7f || c == '#' }
	if _, err := url.Parse(m.url); err != nil || strings.ContainsFunc(m.url, plain) {
		return nil, fmt.Errorf("path %q: it or its query has characters that a URL cannot have; write them as %%XX",
			shown)
	}
	if m.body, err = k.fill("body", r.Body, may); err != nil {
		return nil, err
	}
	if m.headers, err = k.headers(r, method, may); err != nil {
		return nil, err
	}
	m.secrets = k.secretsOf(m)
	return m, nil
}

// fill replaces the names in a template. Its errors do not show the template, which may contain a secret.
func (k compiler) fill(part, template string, may []string) (string, error) {
	for _, w := range wordLike.FindAllString(template, -1) {
		value := ""
		switch w {
		case "{line}":
			value = k.opt.Name
		case "{contact}":
			value = k.opt.Contact
		case "{user}":
			value = k.board.opt.User
		case "{password}":
			value = k.board.opt.Password
		default:
			if slices.Contains(may, w) {
				continue
			}
			return "", fmt.Errorf("%s: it has a word in braces that does not belong there; "+
				"known are {line} {contact} {user} {password} %s",
				part, strings.Join(may, " "))
		}
		if !unreserved.MatchString(value) {
			return "", fmt.Errorf("%s: the value of %s may have only letters, digits and - . _ ~, at least one",
				part, w)
		}
	}
	return k.names.Replace(template), nil
}

// headers returns the driver's own headers, then the request's, then the board's. Of several with the same name, the
// last one is sent.
func (k compiler) headers(r *Request, method string, may []string) ([]Header, error) {
	all := []Header{{"User-Agent", "clearback"}}
	if method == http.MethodGet {
		all = append(all, Header{"Cache-Control", "no-store"})
	}
	if r.Body != "" {
		kind := r.ContentType
		if kind == "" {
			kind = "application/json"
		}
		if strings.ContainsFunc(kind, isControl) {
			return nil, fmt.Errorf("content type: it has a control character")
		}
		all = append(all, Header{"Content-Type", kind})
	}
	if o := k.board.opt; o.User != "" {
		all = append(all, Header{"Authorization", "Basic " +
			base64.StdEncoding.EncodeToString([]byte(o.User+":"+o.Password))})
	}
	for _, h := range slices.Concat(r.Headers, k.board.opt.Headers) {
		switch name := http.CanonicalHeaderKey(h.Name); {
		case !token.MatchString(h.Name):
			return nil, fmt.Errorf("header %q: its name has characters that are not allowed", h.Name)
		case slices.Contains(framing[:], name):
			return nil, fmt.Errorf("header %s is the driver's own (a body's type is set apart); leave it out", name)
		case strings.ContainsFunc(h.Value, isControl):
			return nil, fmt.Errorf("header %s: its value has a control character", name)
		}
		value, err := k.fill("header "+h.Name, h.Value, may)
		if err != nil {
			return nil, err
		}
		all = append(all, Header{h.Name, value})
	}
	return all, nil
}

func checkAnswers(r *Request) error {
	for _, code := range slices.Concat(r.Success, r.Refused) {
		switch {
		case code < 200 || code > 599 || code/100 == 3:
			return fmt.Errorf("status code %d; "+
				"allowed are 200 to 299 and 400 to 599 (a redirect is neither followed nor a success)", code)
		case slices.Contains(r.Success, code) && slices.Contains(r.Refused, code):
			return fmt.Errorf("status code %d cannot be a success and a refusal", code)
		}
	}
	if e := r.Expect; e != nil {
		if len(e.Values) == 0 {
			return fmt.Errorf("expect: it has no values")
		}
		return transport.CheckPointer(e.Pointer)
	}
	return nil
}

// numbers returns the replacer for the numbers of one command.
func numbers(seq uint32, d time.Duration) *strings.Replacer { return numbersAndToken(seq, d, "") }

// numbersAndToken returns the replacer for a pulse of the contract. If token is empty, the body has no token member.
func numbersAndToken(seq uint32, d time.Duration, token string) *strings.Replacer {
	if token != "" {
		token = `,"token":"` + token + `"`
	}
	ms := d.Milliseconds()
	s := strconv.FormatInt(ms/1000, 10)
	if rest := ms % 1000; rest != 0 {
		s += strings.TrimRight(fmt.Sprintf(".%03d", rest), "0")
	}
	return strings.NewReplacer("{seq}", strconv.FormatUint(uint64(seq), 10), "{ms}", strconv.FormatInt(ms, 10), "{s}",
		s, "{token}", token)
}

// render returns the request, which is needed to read its answer, and its bytes.
func (m *message) render(with *strings.Replacer) (*http.Request, []byte, error) {
	r, err := http.NewRequest(m.method, with.Replace(m.url), strings.NewReader(with.Replace(m.body)))
	if err != nil {
		return nil, nil, fmt.Errorf("the request cannot be made") // the error's text has the whole URL
	}
	r.Close = true // one request per connection
	for _, h := range m.headers {
		r.Header.Set(h.Name, with.Replace(h.Value))
	}
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		return nil, nil, fmt.Errorf("the request cannot be made: %w", err)
	}
	return r, b.Bytes(), nil
}
