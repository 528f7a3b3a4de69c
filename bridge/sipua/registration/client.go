package registration

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	mathrand "math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// Status is the state of a registration at the service.
type Status struct {
	Registered bool
	// Since is when Registered last changed; Until is when the registration ends.
	Since, Until time.Time
	// Heard is when the service last answered a REGISTER; zero if it never did.
	Heard time.Time
	// Problem describes the last failure; "" means none.
	Problem string
	// Silent means that the last REGISTER got no response. An earlier registration remains valid.
	Silent bool
	// Refused means that the service answered the last REGISTER as only a person can change.
	Refused bool
}

// ClientOptions are the options of [NewClient].
type ClientOptions struct {
	Endpoint *endpoint.Endpoint
	// Registrar is the service's registrar, AOR the address of record, Contact our contact.
	Registrar, AOR     sip.Uri
	AuthUser, Password string
	Contact            sip.ContactHeader
	// Destination is the "host:port" to send requests to: the outbound proxy, or the resolved address of the registrar.
	// "" means that the host in Registrar is looked up.
	Destination string
	// Expires is what to ask for, in whole seconds; 0 means an hour.
	Expires time.Duration
	// Until is the end of a registration that an earlier process made with this Contact; zero means none.
	Until  time.Time
	Logger *zap.Logger
	// Changed, if not nil, is called when Registered or Silent changes, and when Until changes while registered. It
	// must not block.
	Changed func(Status)
	// Unanswered, if not nil, is called after each REGISTER that got no response. It must not block.
	Unanswered func()
}

// longestGrant is how long a registration counts at most without a refresh. Our own number: a service's mistake then
// ends within a day.
const longestGrant = 24 * time.Hour

// unregisterTimeout bounds the un-registration at the end.
const unregisterTimeout = time.Second

// Client keeps one line registered at the service until its Run ends.
type Client struct {
	// set once
	o   ClientOptions
	log *zap.Logger
	// one Call-ID and one From tag for all its REGISTERs (RFC 3261 section 10.2)
	callID, tag string

	// owned by Run
	cseq     uint32
	expires  time.Duration // what we ask for; a registrar may have demanded more
	failures int

	mu     sync.Mutex
	status Status

	left atomic.Bool // Leave was called

	again chan struct{} // buffer of 1: several calls of Retry count as one
	renew chan struct{} // buffer of 1: several calls of Renew count as one
}

// NewClient returns a client. It checks nothing and sends nothing.
func NewClient(o ClientOptions) *Client {
	c := &Client{o: o, log: o.Logger, callID: strings.ToLower(rand.Text()), tag: strings.ToLower(rand.Text()),
		expires: cmp.Or(o.Expires, defaultExpires), again: make(chan struct{}, 1),
		renew: make(chan struct{}, 1)}
	if c.log == nil {
		c.log = zap.NewNop()
	}
	now := time.Now()
	c.status.Since = now
	if left := min(o.Until.Sub(now), longestGrant); left > 0 {
		c.status.Registered, c.status.Until = true, now.Add(left)
		time.AfterFunc(left, c.lapsed)
	}
	return c
}

// Status returns the current state.
func (c *Client) Status() Status {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.status
}

// Retry ends the pause after a failure, because somebody wants to make a call. It has no effect if only a person can
// fix the failure, or if the service asked for the pause.
func (c *Client) Retry() {
	select {
	case c.again <- struct{}{}:
	default:
	}
}

// Renew registers again before the refresh is due, because the service may have lost the registration. The REGISTER
// goes out within renewWithin, but not earlier than renewEvery after the last one that was granted. Renew has no effect
// while there is no registration: that is retried in any case.
func (c *Client) Renew() {
	select {
	case c.renew <- struct{}{}:
	default:
	}
}

// Leave makes Run end without un-registering, because another process takes over the registration.
func (c *Client) Leave() { c.left.Store(true) }

const (
	// renewWithin spreads the REGISTERs of many lines after a restart of their service. renewEvery bounds how often a
	// service that comes and goes is asked. Our own numbers.
	renewWithin = 5 * time.Second
	renewEvery  = time.Minute
)

// retryRequests returns the channel that receives the calls of Retry, or nil if Retry must not end the pause after err.
// It discards earlier calls, which the last attempt has served.
func (c *Client) retryRequests(err error) <-chan struct{} {
	select {
	case <-c.again:
	default:
	}
	if f := failureOf(err); err == nil || f.slow || f.retryAfter > 0 {
		return nil
	}
	return c.again
}

// Run registers, refreshes and retries until ctx ends. Then it un-registers, which takes at most a second, unless Leave
// was called. It must be called only once.
func (c *Client) Run(ctx context.Context) {
	for ctx.Err() == nil {
		granted, err := c.register(ctx, c.expires)
		var pause time.Duration
		switch {
		case ctx.Err() != nil:
		case err != nil:
			c.failures++
			pause = retryAfter(c.failures, failureOf(err), mathrand.Float64())
			c.failed(err, pause)
		default:
			c.failures = 0
			pause = refreshAfter(granted)
			c.succeeded(granted)
		}
		c.wait(ctx, pause, err)
	}
	c.end()
}

// wait waits until the next REGISTER is due. err is the outcome of the last one.
func (c *Client) wait(ctx context.Context, pause time.Duration, err error) {
	began := time.Now()
	due, timer := began.Add(pause), time.NewTimer(pause)
	defer timer.Stop()
	retry, renew := c.retryRequests(err), c.renew
	select {
	case <-renew: // the last REGISTER has served it
	default:
	}
	if err != nil {
		renew = nil
	}
	for {
		select {
		case <-timer.C:
			return
		case <-retry:
			return
		case <-ctx.Done():
			return
		case <-renew:
			least := max(0, time.Until(began.Add(renewEvery)))
			if at := time.Now().Add(least + mathrand.N(renewWithin)); at.Before(due) {
				due = at
				timer.Reset(time.Until(due))
			}
		}
	}
}

// end un-registers if a registration may exist.
func (c *Client) end() {
	if c.left.Load() {
		return
	}
	c.mu.Lock()
	may := time.Now().Before(c.status.Until)
	c.mu.Unlock()
	if may {
		ctx, cancel := context.WithTimeout(context.Background(), unregisterTimeout)
		defer cancel()
		if _, err := c.register(ctx, 0); err != nil {
			c.log.Warn("could not un-register; the service will call this line until the registration ends",
				zap.String("registrar", c.o.Registrar.Host), zap.Time("until", c.Status().Until), zap.Error(err))
		}
	}
	c.set(func(s *Status) { s.Registered, s.Until = false, time.Now() })
}

// refusal is a REGISTER response that granted no registration.
type refusal struct {
	code int
	text string
	retryAdvice
	cause error
}

func (r *refusal) Error() string {
	s := fmt.Sprintf("the registrar answered %d %s", r.code, r.text)
	if r.cause != nil {
		s += ": " + r.cause.Error()
	}
	return s
}

func (r *refusal) Unwrap() error { return r.cause }

func failureOf(err error) retryAdvice {
	var r *refusal
	if errors.As(err, &r) {
		return r.retryAdvice
	}
	return retryAdvice{}
}

// register sends a REGISTER and answers challenges. It returns the granted time.
func (c *Client) register(ctx context.Context, expires time.Duration) (granted time.Duration, err error) {
	req := c.request(expires)
	// a stale nonce, both kinds of challenge and a longer interval; more rounds mean that the registrar is broken
	const rounds = 6
	for range rounds {
		res, err := c.o.Endpoint.Do(ctx, req)
		c.cseq = req.CSeq().SeqNo
		if err != nil {
			return granted, fmt.Errorf("register at %s: %w", c.o.Registrar.Host, err)
		}
		switch code := res.StatusCode; {
		case res.IsSuccess():
			if granted = c.granted(res, expires); granted == 0 && expires != 0 {
				return granted, &refusal{code: code, text: "but granted no time"}
			}
			return granted, nil
		case code == sip.StatusUnauthorized || code == sip.StatusProxyAuthRequired:
			if err := Authorize(req, res, c.o.AuthUser, c.o.Password); err != nil {
				return granted, &refusal{code: code, text: res.Reason, retryAdvice: retryAdvice{slow: true}, cause: err}
			}
		case code == sip.StatusIntervalToBrief && expires != 0:
			least, ok := minimum(res)
			if !ok || least <= expires {
				return granted, newRefusal(res)
			}
			expires, c.expires = least, least
			req = c.request(expires)
		default:
			return granted, newRefusal(res)
		}
	}
	return granted, &refusal{code: sip.StatusUnauthorized, text: "repeatedly",
		retryAdvice: retryAdvice{slow: true}}
}

// minimum returns Min-Expires. It ignores a value of more than a day.
func minimum(res *sip.Response) (time.Duration, bool) {
	h := res.GetHeader("Min-Expires")
	if h == nil {
		return 0, false
	}
	d, ok := seconds(h.Value())
	return d, ok && d <= 24*time.Hour
}

// newRefusal classifies a response. A busy or failing server recovers by itself. Any other response sets slow, because
// only a person can mend the cause. Redirections are not followed.
func newRefusal(res *sip.Response) *refusal {
	r := &refusal{code: res.StatusCode, text: res.Reason}
	switch code := res.StatusCode; {
	case code == sip.StatusRequestTimeout, code == sip.StatusTemporarilyUnavailable, code >= 500 && code < 600 &&
		code != sip.StatusNotImplemented && code != sip.StatusVersionNotSupported:
	default:
		r.slow = true
	}
	if h := res.GetHeader("Retry-After"); h != nil {
		number, _, _ := strings.Cut(h.Value(), ";")
		number, _, _ = strings.Cut(number, "(")
		if d, ok := seconds(number); ok {
			r.retryAfter = d
		}
	}
	return r
}

// request builds a REGISTER with the next CSeq number (RFC 3261 section 10.2).
func (c *Client) request(expires time.Duration) *sip.Request {
	c.cseq++
	uri := *c.o.Registrar.Clone()
	uri.User, uri.Password = "", ""
	r := sip.NewRequest(sip.REGISTER, uri)
	id := sip.CallIDHeader(c.callID)
	contact := c.o.Contact.Clone()
	contact.Params.Remove("expires")
	r.AppendHeader(&sip.FromHeader{Address: *c.o.AOR.Clone(), Params: sip.HeaderParams{{K: "tag", V: c.tag}}})
	r.AppendHeader(&sip.ToHeader{Address: *c.o.AOR.Clone()})
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: c.cseq, MethodName: sip.REGISTER})
	r.AppendHeader(contact)
	r.AppendHeader(sip.NewHeader("Expires", strconv.Itoa(int(expires.Seconds()))))
	r.SetBody(nil)
	r.SetTransport(transportOf(c.o.Registrar, transportOf(c.o.Contact.Address, "UDP")))
	if c.o.Destination != "" {
		r.SetDestination(c.o.Destination)
	}
	return r
}

// granted returns the time that the 200 grants to our Contact.
func (c *Client) granted(res *sip.Response, asked time.Duration) time.Duration {
	given := asked
	if h := res.GetHeader("Expires"); h != nil {
		if d, ok := seconds(h.Value()); ok {
			given = d
		}
	}
	for _, contact := range contactsOf(res) {
		if sameAddress(contact.Address, c.o.Contact.Address) {
			if d, ok := seconds(contact.Params.GetOr("expires", "")); ok {
				given = d
			}
		}
	}
	return min(given, longestGrant)
}

func (c *Client) succeeded(granted time.Duration) {
	now := time.Now()
	was := c.Status()
	switch {
	case was.Problem != "":
		c.log.Info("registered at the service again", zap.String("registrar", c.o.Registrar.Host),
			zap.Duration("for", granted), zap.String("problem_was", was.Problem))
	case !was.Registered:
		c.log.Info("registered at the service", zap.String("registrar", c.o.Registrar.Host),
			zap.Duration("for", granted))
	}
	c.set(func(s *Status) { *s = Status{Registered: true, Since: s.Since, Until: now.Add(granted), Heard: now} })
	time.AfterFunc(granted, c.lapsed)
}

// failed records a problem. An existing registration remains valid until its end.
func (c *Client) failed(err error, pause time.Duration) {
	if c.Status().Problem == "" {
		c.log.Warn("cannot register at the service; will keep trying", zap.String("registrar", c.o.Registrar.Host),
			zap.Duration("next_try_in", pause), zap.Error(err))
	}
	var r *refusal
	silent := !errors.As(err, &r)
	c.set(func(s *Status) {
		s.Problem, s.Silent, s.Refused = err.Error(), silent, !silent && r.slow
		s.Registered = s.Registered && !s.Refused
		if !silent {
			s.Heard = time.Now()
		}
	})
	if silent && c.o.Unanswered != nil {
		c.o.Unanswered()
	}
}

// lapsed ends a registration that was not refreshed.
func (c *Client) lapsed() {
	c.set(func(s *Status) {
		if !time.Now().Before(s.Until) {
			s.Registered = false
		}
	})
}

// set changes the status and reports changes through Changed.
func (c *Client) set(change func(*Status)) {
	c.mu.Lock()
	was := c.status
	change(&c.status)
	changed := c.status.Registered != was.Registered
	if changed {
		c.status.Since = time.Now()
	}
	changed = changed || c.status.Silent != was.Silent || c.status.Registered && !c.status.Until.Equal(was.Until)
	s := c.status
	c.mu.Unlock()
	if changed && c.o.Changed != nil {
		c.o.Changed(s)
	}
}
