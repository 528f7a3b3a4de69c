package sipua

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// This file has our own subscriptions at the services (RFC 6665): to message waiting (RFC 3842), for a line that is
// configured for it, at its first account; and to the state of our registration (RFC 3680), at each account.

const (
	// subscribeExpires is the duration that we ask for. RFC 3842 section 3.4 leaves it open, and RFC 3680 section 4.4
	// has little more as its default; most event packages use an hour.
	subscribeExpires = time.Hour
	// leastSubscription is the shortest subscription that is worth its refreshes. Our own number.
	leastSubscription = 30 * time.Second
)

// eventPackage is what a subscriber has to know of its event package.
type eventPackage struct {
	name, accept string // of the package and of its body
	about        string // what it reports, for the log
	// refused is the pause after an answer that only a person can change. longest bounds the doubling pause after other
	// failures. Our own numbers.
	refused, longest time.Duration
	// optional: nobody asked for it. Only the addresses of the service may send a NOTIFY, and a service that leaves the
	// first SUBSCRIBE without an answer, or sends no NOTIFY, counts as one that refuses.
	optional bool
	// handle answers a NOTIFY of the subscription.
	handle func(s *socket, r *endpoint.Request)
	// log reports that there is no subscription, and why.
	log func(message string, fields ...zap.Field)
}

// messageEvents is the package of a line that is configured for message waiting, which is not urgent.
func (l *Line) messageEvents() eventPackage {
	return eventPackage{name: messagePackage, accept: summaryType, about: "waiting messages", refused: time.Hour,
		longest: 30 * time.Minute, handle: l.messageState.handleNotify, log: l.log.Info}
}

// errSubscriptionEnded is the error for a subscription that the service ended.
var errSubscriptionEnded = errors.New("the service ended the subscription")

// subscribeError is a failure that needs a pause of its own, or rules out another attempt.
type subscribeError struct {
	err   error
	pause time.Duration // 0: the usual pause
	never bool
}

func (r *subscribeError) Error() string { return r.err.Error() }
func (r *subscribeError) Unwrap() error { return r.err }

// subscriber keeps one account subscribed.
type subscriber struct {
	// set once
	s    *account
	line *Line
	p    eventPackage

	mu     sync.Mutex
	d      dialog
	callID string
	first  bool // a NOTIFY has come

	// over receives the end of the subscription from a NOTIFY. Its buffer of one suffices, since only the first end
	// matters
	over chan error
}

// run subscribes, refreshes and retries until ctx ends. Then it unsubscribes.
func (u *subscriber) run(ctx context.Context) {
	t := u.line.a.times
	for failures := 0; ; {
		pause := t.atRestPoll
		if u.s.registered() {
			began := time.Now()
			lasted, err := u.subscribeOnce(ctx)
			// a subscription that ends as soon as it began is no better than a refusal
			if lasted && time.Since(began) > t.resubscribe {
				failures = 0
			}
			failures++
			longer := min(t.resubscribe<<min(failures-1, 16), u.p.longest)
			var r *subscribeError
			switch {
			case ctx.Err() != nil:
				return
			case errors.As(err, &r) && r.never:
				u.p.log("the service does not report "+u.p.about+"; no further attempt is made", zap.Error(err))
				return
			case errors.As(err, &r) && r.pause > 0 && failures == 1:
				pause = r.pause
			case errors.As(err, &r):
				pause = max(r.pause, longer)
			default:
				pause = longer
			}
			if failures == 1 {
				u.p.log("not subscribed to "+u.p.about, zap.Duration("next_try_in", pause), zap.Error(err))
			}
			// spreads the retries of the lines, so that they do not all come at once
			pause += time.Duration(rand.Float64() * float64(pause) / 4)
		}
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return
		}
	}
}

// subscribeOnce is one subscription from beginning to end. err is the reason of the end. lasted reports whether the
// subscription had begun.
func (u *subscriber) subscribeOnce(ctx context.Context) (lasted bool, err error) {
	a, ep := u.line.a, u.line.service.ep
	aor := u.s.addressOfRecord()
	u.mu.Lock()
	u.callID, u.first, u.over = token(), false, make(chan error, 1)
	u.d = dialog{tag: token(), target: aor, remote: &sip.ToHeader{Address: aor}}
	u.d.local = &sip.FromHeader{Address: aor, Params: sip.HeaderParams{{K: "tag", V: u.d.tag}}}
	key, over := dialogKey{ep: ep, callID: u.callID, tag: u.d.tag}, u.over
	u.mu.Unlock()
	a.addUsage(key, u.handleNotify)
	defer a.removeDialog(key)

	granted, err := u.subscribe(ctx, subscribeExpires)
	if err != nil {
		return false, err
	}
	awaited := time.NewTimer(a.times.final) // Timer N (RFC 6665 section 4.1.2.4)
	defer awaited.Stop()
	refresh := time.NewTimer(refreshIn(granted))
	defer refresh.Stop()
	for {
		select {
		case err := <-over:
			return true, err
		case <-awaited.C:
			u.mu.Lock()
			first := u.first
			u.mu.Unlock()
			if !first {
				u.leave()
				err := errors.New("the service granted the subscription but sent no NOTIFY")
				if u.p.optional {
					err = &subscribeError{err: err, pause: u.p.refused}
				}
				return false, err
			}
		case <-refresh.C:
			if granted, err = u.subscribe(ctx, subscribeExpires); err != nil {
				return true, fmt.Errorf("refresh: %w", err)
			}
			refresh.Reset(refreshIn(granted))
		case <-ctx.Done():
			if !a.leaving.Load() {
				u.leave()
			}
			return true, ctx.Err()
		}
	}
}

// refreshIn is the time until a subscription is refreshed: nine tenths of the granted time.
func refreshIn(granted time.Duration) time.Duration { return granted - granted/10 }

// leave unsubscribes. A missing answer does not matter: the subscription expires by itself.
func (u *subscriber) leave() {
	ctx, cancel := context.WithTimeout(context.Background(), u.line.a.times.closeTimeout)
	defer cancel()
	if _, err := u.subscribe(ctx, 0); err != nil {
		u.s.log.Debug("could not unsubscribe", zap.Error(err))
	}
}

// subscribe sends one SUBSCRIBE, answers all challenges, and returns the granted time.
func (u *subscriber) subscribe(ctx context.Context, lasting time.Duration) (time.Duration, error) {
	req := u.request(lasting)
	// a stale nonce, both kinds of challenge, and a request for a longer time
	const rounds = 4
	for range rounds {
		res, err := u.line.service.ep.Do(ctx, req)
		u.mu.Lock()
		u.d.seq = max(u.d.seq, req.CSeq().SeqNo)
		u.mu.Unlock()
		if err != nil {
			return 0, u.unanswered(ctx, fmt.Errorf("subscribe: %w", err))
		}
		switch code := res.StatusCode; {
		case res.IsSuccess():
			return u.granted(res, lasting)
		case code == sip.StatusUnauthorized || code == sip.StatusProxyAuthRequired:
			if err := u.s.authorize(req, res); err != nil {
				return 0, &subscribeError{err: err, pause: u.p.refused}
			}
		case code == sip.StatusIntervalToBrief && lasting > 0:
			n, err := strconv.Atoi(strings.TrimSpace(first(res, "Min-Expires")))
			longer := time.Duration(n) * time.Second
			if err != nil || longer <= lasting || longer > 24*time.Hour {
				return 0, u.answered(res)
			}
			lasting = longer
			req = u.request(lasting)
		default:
			return 0, u.answered(res)
		}
	}
	return 0, &subscribeError{err: errors.New("too many challenges"), pause: u.p.refused}
}

// unanswered classifies the lack of an answer. A service that cannot handle SUBSCRIBE may have ended the TCP connection
// over which it reaches the line.
func (u *subscriber) unanswered(ctx context.Context, err error) error {
	u.mu.Lock()
	begun := u.d.remote.Params.Has("tag")
	u.mu.Unlock()
	if !u.p.optional || begun || ctx.Err() != nil {
		return err
	}
	if u.s.transport() != "UDP" {
		u.s.client.Renew()
	}
	return &subscribeError{err: err, pause: u.p.refused}
}

// answered classifies a failure. A lost dialog is re-established soon. A busy or failing service is asked again. Any
// other answer needs a person.
func (u *subscriber) answered(res *sip.Response) error {
	r := &subscribeError{err: fmt.Errorf("the service answered SUBSCRIBE with %d %s", res.StatusCode, res.Reason)}
	switch code := res.StatusCode; {
	case code == sip.StatusCallTransactionDoesNotExists:
		r.pause = time.Second
	case code == sip.StatusRequestTimeout, code == sip.StatusTemporarilyUnavailable, code >= 500 && code < 600 &&
		code != sip.StatusNotImplemented:
	default:
		r.pause = u.p.refused
	}
	if d, ok := pauseOf(first(res, "Retry-After")); ok {
		r.pause = max(r.pause, d)
	}
	return r
}

// pauseOf parses a Retry-After in seconds. The result is an hour at most.
func pauseOf(v string) (time.Duration, bool) {
	v, _, _ = strings.Cut(v, ";")
	v, _, _ = strings.Cut(v, "(")
	n, err := strconv.ParseUint(strings.TrimSpace(v), 10, 32)
	return min(time.Duration(n)*time.Second, time.Hour), err == nil && n > 0
}

// granted takes the dialog and the granted time from the 200.
func (u *subscriber) granted(res *sip.Response, asked time.Duration) (time.Duration, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if !u.d.remote.Params.Has("tag") {
		u.d.confirm(res)
	} else {
		u.d.retarget(res.Contact())
	}
	granted := asked
	if n, err := strconv.ParseUint(strings.TrimSpace(first(res, "Expires")), 10, 32); err == nil {
		granted = min(asked, time.Duration(n)*time.Second)
	}
	if asked > 0 && granted < leastSubscription {
		return 0, &subscribeError{err: fmt.Errorf("the service granted only %s", granted), pause: u.p.refused}
	}
	return granted, nil
}

func (u *subscriber) request(lasting time.Duration) *sip.Request {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.d.seq++
	dest := u.s.Proxy
	if !u.d.remote.Params.Has("tag") {
		dest = u.s.destination()
	}
	req := u.d.request(sip.SUBSCRIBE, u.callID, u.s.transport(), dest)
	req.AppendHeader(u.line.service.ep.Contact(u.s.token, u.s.transport()))
	req.AppendHeader(sip.NewHeader("Event", u.p.name))
	req.AppendHeader(sip.NewHeader("Accept", u.p.accept))
	req.AppendHeader(sip.NewHeader("Expires", strconv.Itoa(int(lasting.Seconds()))))
	return req
}

// handleNotify handles a NOTIFY inside the subscription. The first may come before the 200 (RFC 6665 section 4.1.2.4).
func (u *subscriber) handleNotify(r *endpoint.Request) {
	s := u.line.service
	if r.Method == sip.ACK {
		return
	}
	if u.p.optional && !containsAddr(u.s.addresses(), r.From.Addr()) {
		u.line.a.counts.wrongSources.Add(1)
		s.reply(r, sip.StatusForbidden, "Forbidden")
		return
	}
	u.mu.Lock()
	if r.Method == sip.NOTIFY && !u.d.remote.Params.Has("tag") && r.Contact() != nil {
		remote := r.Request.From().AsTo()
		u.d.remote, u.d.routes = &remote, routeSet(r.Request)
		u.d.retarget(r.Contact())
	}
	known := u.d.matches(u.d.tag, r.Request.From().Params.GetOr("tag", ""))
	late := known && u.d.remoteSeqSet && r.CSeq().SeqNo <= u.d.remoteSeq
	if known && !late {
		u.d.remoteSeq, u.d.remoteSeqSet, u.first = r.CSeq().SeqNo, true, true
	}
	over := u.over
	u.mu.Unlock()
	switch {
	case !known: // from another fork
		s.reply(r, sip.StatusCallTransactionDoesNotExists, "Subscription Does Not Exist")
		return
	case late:
		s.reply(r, sip.StatusInternalServerError, "CSeq Out of Order")
		return
	case r.Method != sip.NOTIFY:
		s.notAllowed(r)
		return
	}
	u.p.handle(s, r)
	if err := u.terminated(first(r.Request, "Subscription-State")); err != nil {
		select {
		case over <- err:
		default: // the subscription has already ended
		}
	}
}

// terminated parses a Subscription-State; nil: the subscription continues. RFC 6665 section 4.1.3 defines the reasons.
func (u *subscriber) terminated(v string) error {
	fields := strings.Split(v, ";")
	if !strings.EqualFold(strings.TrimSpace(fields[0]), "terminated") {
		return nil
	}
	reason, asked := "", time.Duration(0)
	for _, f := range fields[1:] {
		name, value, _ := strings.Cut(strings.TrimSpace(f), "=")
		switch strings.ToLower(name) {
		case "reason":
			reason = strings.ToLower(value)
		case "retry-after":
			asked, _ = pauseOf(value)
		}
	}
	r := &subscribeError{err: errSubscriptionEnded, pause: asked}
	switch reason {
	case "deactivated", "timeout":
		r.pause = time.Second
	// "should not try again": a person may have changed that within an hour
	case "rejected", "noresource":
		r.pause = max(asked, u.p.refused)
	case "invariant":
		r.never = true
	}
	if reason != "" && len(reason) < 20 {
		r.err = fmt.Errorf("%w: %q", errSubscriptionEnded, reason)
	}
	return r
}
