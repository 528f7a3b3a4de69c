package sipua

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// This file handles call transfer (RFC 3515, RFC 3891, RFC 5589) by an adapter: its REFER goes to the service,
// rewritten to the numbers and dialogs that the service knows. A service cannot refer an adapter, since that would make
// the line call.

// sipFragment is the body type of a NOTIFY about a transfer (RFC 3420).
const sipFragment = "message/sipfrag"

// maxReferrals bounds the REFERs of one call whose outcome is not known. Our own number: a person waits for the outcome
// of the first.
const maxReferrals = 8

// referral is a REFER in progress or accepted, with its implicit subscription to the outcome (RFC 3515 section 2.4.4).
// It belongs to the service's leg.
type referral struct {
	theirs uint32       // CSeq number of the adapter's REFER, for the NOTIFYs to the adapter
	req    *sip.Request // our REFER; the service's NOTIFYs have its CSeq number
}

// referTo is the destination of a transfer.
type referTo struct {
	uri      sip.Uri
	replaces *replacesHeader // nil: a new call that replaces none
}

// replacesHeader identifies a dialog, like the value of a Replaces header field (RFC 3891 section 6.1).
type replacesHeader struct {
	callID, toTag, fromTag string
	early                  bool // only if the dialog is not answered
}

// handleRefer handles a REFER in a call. Its failure responses concern the REFER alone and leave the call up (RFC 5057
// section 5.1). A 404 or 481 would end the call: see indialog_failure.go.
func (l *leg) handleRefer(r *endpoint.Request, d *dialog) {
	p := l.peer()
	switch {
	case l.side == media.ServiceSide:
		l.reply(r, sip.StatusMethodNotAllowed, "Method Not Allowed", sip.NewHeader("Allow", l.allow()))
		return
	case l.c.line.o.RefuseTransfer:
		l.reply(r, sip.StatusForbidden, "Transfers Are Refused Here")
		return
	case l.state != legUp || l.clearing || p.state != legUp || p.clearing:
		l.reply(r, sip.StatusRequestPending, "Request Pending")
		return
	case len(p.referrals) >= maxReferrals:
		l.refuseOffer(r, sip.StatusInternalServerError)
		return
	}
	to, fault := readReferTo(r.Request)
	switch {
	case fault != "":
		l.reply(r, sip.StatusBadRequest, fault)
	case to.replaces != nil:
		l.replace(r, d, to)
	default:
		l.referNumber(r, d, to)
	}
}

// referNumber passes on a transfer to a number.
func (l *leg) referNumber(r *endpoint.Request, d *dialog, to referTo) {
	method, _ := to.uri.UriParams.Get("method")
	scheme := strings.ToLower(to.uri.Scheme)
	if method != "" && method != string(sip.INVITE) || scheme != "sip" && scheme != "sips" && scheme != "tel" ||
		userOf(to.uri) == "" {
		l.reply(r, sip.StatusForbidden, "Only A Number May Be Called")
		return
	}
	if why := l.c.line.mayDial(to.uri); why != "" {
		l.c.line.log.Warn("a transfer was refused: the line may not dial this number",
			zap.Uint64("call", uint64(l.c.id)), zap.String("because", "it is "+string(why)))
		l.reply(r, sip.StatusForbidden, "The Line May Not Dial This Number")
		return
	}
	if is, dial := l.c.a.classify(to.uri); is == emergencyNumber {
		to.uri = dial
	}
	called := calledTowardsService(to.uri, l.peer().account.Registrar)
	l.refer(r, d, "<"+called.String()+">")
}

// replace passes on a transfer to the far end of another call of this line. The adapter names the dialog of our leg
// towards the adapter. The service knows only the dialog of the other leg.
func (l *leg) replace(r *endpoint.Request, d *dialog, to referTo) {
	unknown := func() { l.reply(r, sip.StatusForbidden, "No Such Call To Transfer To") }
	there := l.c.a.dialog(dialogKey{ep: l.s.ep, callID: to.replaces.callID, tag: to.replaces.toTag})
	if there == nil || there.c == l.c || there.c.line != l.c.line || there.side != media.AdapterSide {
		unknown()
		return
	}
	there.c.post(func() {
		at, contact, account := there.dialogAtPeer(to.replaces)
		l.c.post(func() {
			p := l.peer()
			switch {
			case at == "" || account != p.account:
				unknown()
			case l.state != legUp || p.state != legUp || p.clearing:
				l.reply(r, sip.StatusRequestPending, "Request Pending")
			default:
				l.refer(r, d, "<"+contact+"?Replaces="+escaped(at)+">")
			}
		})
	})
}

// dialogAtPeer returns a dialog of this leg as the other leg's peer knows it, its Contact, and the account; "" if there
// is none.
func (l *leg) dialogAtPeer(of *replacesHeader) (at, contact string, account *account) {
	p := l.peer()
	if l.state == legOver || l.clearing || p.state == legOver || p.clearing || of.early && l.state == legUp {
		return "", "", nil
	}
	for _, d := range append([]*dialog{l.dialog}, l.early...) {
		if !d.matches(of.toTag, of.fromTag) || d.over || d.other == nil ||
			d.other.remote.Params.GetOr("tag", "") == "" {
			continue
		}
		// RFC 3891 section 3: to-tag is the tag of the party asked to replace, from-tag that of its peer
		at = p.callID + ";to-tag=" + d.other.remote.Params.GetOr("tag", "") + ";from-tag=" + d.other.tag
		if of.early {
			at += ";early-only"
		}
		target := *d.other.target.Clone()
		target.Headers = nil
		return at, target.String(), p.account
	}
	return "", "", nil
}

// refer sends the REFER to the service.
func (l *leg) refer(r *endpoint.Request, d *dialog, to string) {
	p := l.peer()
	req := p.buildIn(d.other, sip.REFER)
	aor := p.account.addressOfRecord()
	req.AppendHeader(sip.NewHeader("Refer-To", to))
	req.AppendHeader(sip.NewHeader("Referred-By", "<"+aor.String()+">"))
	for _, field := range []string{"Supported", "Require"} { // RFC 4488
		if hasOption(r.Request, field, noReferSub) {
			req.AppendHeader(sip.NewHeader(field, noReferSub))
		}
	}
	copyReferSub(r.Request, req)
	one := &referral{theirs: r.CSeq().SeqNo, req: req}
	p.referrals = append(p.referrals, one) // a NOTIFY may come before the 202 (RFC 3515 section 2.4.4)
	sent, unanswered := time.Now(), l.answerInTime(r)
	p.forward(req, func(res *sip.Response, err error) {
		if unanswered() {
			l.passOutcome(r, d, res, err)
		}
		if err != nil || !res.IsSuccess() || strings.EqualFold(first(res, fieldReferSub), "false") {
			p.forgetReferral(one)
		}
		// a 481 may concern the call to be replaced
		if codeOf(res, err) == sip.StatusCallTransactionDoesNotExists {
			p.ask(func(code int, sent time.Time) {
				p.checkService(sip.OPTIONS, code, sent, supervision.EvidenceServiceLost)
			})
			return
		}
		p.checkService(sip.REFER, codeOf(res, err), sent, supervision.EvidenceServiceLost)
	})
}

// copyReferSub copies whether the outcome will be notified (RFC 4488 section 4).
func copyReferSub(from, to sip.Message) {
	switch v := strings.ToLower(first(from, fieldReferSub)); v {
	case "true", "false":
		to.AppendHeader(sip.NewHeader(fieldReferSub, v))
	}
}

func (l *leg) forgetReferral(one *referral) {
	l.referrals = slices.DeleteFunc(l.referrals, func(r *referral) bool { return r == one })
}

// referral returns the REFER that a NOTIFY of the service belongs to, or nil. Without an id it is the first (RFC 3515
// section 2.4.6).
func (l *leg) referral(id string) *referral {
	for _, one := range l.referrals {
		if id == "" || id == strconv.FormatUint(uint64(one.req.CSeq().SeqNo), 10) {
			return one
		}
	}
	return nil
}

// handleNotify handles a NOTIFY inside a call. The outcome of a transfer passes to the adapter while the adapter is in
// the call. The subscription outlives the adapter's BYE (RFC 5057 section 4.2). After that BYE we answer the NOTIFYs
// ourselves.
func (l *leg) handleNotify(r *endpoint.Request, d *dialog) {
	event, params, _ := strings.Cut(first(r.Request, "Event"), ";")
	if !strings.EqualFold(strings.TrimSpace(event), "refer") {
		if l.state == legOver {
			l.reply(r, sip.StatusCallTransactionDoesNotExists, "Call/Transaction Does Not Exist")
			return
		}
		l.forwardRequest(r, d)
		return
	}
	id := ""
	for param := range strings.SplitSeq(params, ";") {
		if name, v, _ := strings.Cut(param, "="); strings.EqualFold(strings.TrimSpace(name), "id") {
			id = strings.TrimSpace(v)
		}
	}
	one := l.referral(id)
	state := first(r.Request, "Subscription-State")
	outcome := statusLine(r.Body())
	switch {
	case one == nil:
		l.reply(r, sip.StatusCallTransactionDoesNotExists, "Subscription Does Not Exist")
		return
	case contentType(r.Request) != sipFragment: // RFC 3515 section 2.4.5
		l.reply(r, sip.StatusUnsupportedMediaType, "Unsupported Media Type", sip.NewHeader("Accept", sipFragment))
		return
	case state == "" || outcome == "":
		l.reply(r, sip.StatusBadRequest, "Bad Notification")
		return
	}
	if word, _, _ := strings.Cut(state, ";"); strings.EqualFold(strings.TrimSpace(word), "terminated") {
		l.forgetReferral(one)
	}
	p := l.peer()
	if p.state != legUp || p.clearing {
		l.reply(r, sip.StatusOK, "OK")
		return
	}
	req := p.buildIn(d.other, sip.NOTIFY)
	said := "refer"
	if id != "" {
		said += ";id=" + strconv.FormatUint(uint64(one.theirs), 10)
	}
	req.AppendHeader(sip.NewHeader("Event", said))
	passHeaders([]string{"Subscription-State"}, r.Request, req)
	passHeaders([]string{"Content-Type"}, r.Request, req)
	req.SetBody([]byte(outcome + "\r\n"))
	// its outcome says nothing about the call (RFC 5057 section 5.1)
	p.forward(req, func(res *sip.Response, err error) {
		l.passOutcome(r, d, res, err)
	})
}

// statusLine is the status line at the beginning of a message/sipfrag body (RFC 3420), or "". The rest of the body does
// not concern the adapter.
func statusLine(body []byte) string {
	line, _, _ := strings.Cut(string(body), "\n")
	line = strings.TrimRight(line, "\r")
	f := strings.SplitN(line, " ", 3)
	if len(f) < 2 || !strings.EqualFold(f[0], "SIP/2.0") || len(f[1]) != 3 || strings.Trim(f[1], "0123456789") != "" ||
		f[1][0] < '1' || f[1][0] > '6' {
		return ""
	}
	phrase := ""
	if len(f) == 3 {
		phrase = boundedText(f[2], maxPhrase)
	}
	return "SIP/2.0 " + f[1] + " " + phrase
}

// readReferTo parses the single Refer-To that a REFER must have (RFC 3515 section 2.4.2).
func readReferTo(r *sip.Request) (to referTo, fault string) {
	all := r.GetHeaders("Refer-To")
	if len(all) != 1 || len(splitOutside(all[0].Value())) != 1 {
		return to, "One Refer-To Is Needed"
	}
	value := all[0].Value()
	if _, in, ok := strings.Cut(value, "<"); ok {
		if value, _, ok = strings.Cut(in, ">"); !ok {
			return to, "Bad Refer-To"
		}
	} else {
		value, _, _ = strings.Cut(value, ";")
	}
	value = strings.TrimSpace(value)
	// without this check the service might read another number in it
	if clean, ok := cleanValue(value); !ok || clean != value || strings.ContainsAny(value, "<>\" ") {
		return to, "Bad Refer-To"
	}
	at := strings.IndexByte(value, '@') + 1 // a user part may contain "?"
	bare, fields, _ := strings.Cut(value[at:], "?")
	if err := sip.ParseUri(value[:at]+bare, &to.uri); err != nil {
		return to, "Bad Refer-To"
	}
	for field := range strings.SplitSeq(fields, "&") { // other fields are not passed on
		name, v, _ := strings.Cut(field, "=")
		if !strings.EqualFold(name, replacesOption) {
			continue
		}
		v, err := url.PathUnescape(v)
		if err != nil {
			return to, "Bad Replaces"
		}
		if to.replaces = readReplaces(v); to.replaces == nil {
			return to, "Bad Replaces"
		}
	}
	return to, ""
}

// readReplaces parses the value of a Replaces header field; nil: it is invalid.
func readReplaces(v string) *replacesHeader {
	params := strings.Split(v, ";")
	of := &replacesHeader{callID: strings.TrimSpace(params[0])}
	for _, p := range params[1:] {
		name, v, _ := strings.Cut(p, "=")
		switch strings.ToLower(strings.TrimSpace(name)) {
		case "to-tag":
			of.toTag = strings.TrimSpace(v)
		case "from-tag":
			of.fromTag = strings.TrimSpace(v)
		case "early-only":
			of.early = true
		}
	}
	if of.callID == "" || of.toTag == "" || of.fromTag == "" {
		return nil
	}
	return of
}

// escaped escapes a value for the header part of a URI (RFC 3261 section 25.1).
func escaped(v string) string {
	var b strings.Builder
	for i := 0; i < len(v); i++ {
		c := v[i]
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' ||
			strings.IndexByte("-_.!~*'()", c) >= 0 {
			b.WriteByte(c)
			continue
		}
		const hex = "0123456789ABCDEF"
		b.Write([]byte{'%', hex[c>>4], hex[c&15]})
	}
	return b.String()
}
