package httprelay

import (
	"bytes"
	"cmp"
	"encoding/base64"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
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

// compile makes the message of a request. It fills in the names.
func (k compiler) compile(r *Request, method string) *message {
	if r.Method != "" {
		method = r.Method
	}
	base := k.board.base
	shown, _, _ := strings.Cut(r.Path, "?")
	prefix := base.Scheme + "://" + base.Host + strings.TrimSuffix(base.EscapedPath(), "/")
	m := &message{method: method, what: method + " " + prefix + shown, url: k.names.Replace(prefix + r.Path),
		headers: k.headers(r, method), body: k.names.Replace(r.Body), success: r.Success, refused: r.Refused,
		expect: r.Expect}
	m.secrets = k.secretsOf(m)
	return m
}

// headers returns the driver's own headers, then the request's, then the board's. Of several with the same name, the
// last one is sent.
func (k compiler) headers(r *Request, method string) []Header {
	all := []Header{{"User-Agent", "clearback"}}
	if method == http.MethodGet {
		all = append(all, Header{"Cache-Control", "no-store"})
	}
	if r.Body != "" {
		all = append(all, Header{"Content-Type", cmp.Or(r.ContentType, "application/json")})
	}
	if o := k.board.opt; o.User != "" {
		all = append(all, Header{"Authorization", "Basic " +
			base64.StdEncoding.EncodeToString([]byte(o.User+":"+o.Password))})
	}
	for _, h := range slices.Concat(r.Headers, k.board.opt.Headers) {
		all = append(all, Header{h.Name, k.names.Replace(h.Value)})
	}
	return all
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
