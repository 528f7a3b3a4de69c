package alarms

import (
	"context"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	netmail "net/mail"
	"net/textproto"
	"strconv"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/transport"
	"clearback/supervision/alarm"

	"github.com/wneessen/go-mail"
)

// MailOptions are a mail server, our account there and one recipient.
type MailOptions struct {
	// Host is the mail server's name. Its certificate must have that name, or TLS.ServerName if that is set.
	Host string
	// Port is the server's port; 0 means 465, or 587 with StartTLS.
	Port int
	// StartTLS begins the connection in clear and demands STARTTLS before anything else (RFC 3207). Otherwise TLS
	// begins at once (RFC 8314). Nothing is sent without TLS.
	StartTLS bool
	TLS      transport.TLS
	// User and Password belong to the account; both empty: no authentication. The password is never shown.
	User, Password string
	// From and To are one address each, such as "alarms@millrace.example". Use a way for each recipient: then a server
	// that refuses one of them does not keep the others from being told.
	From, To string
}

// Check returns what is wrong with the options. It reads no file.
func (o MailOptions) Check() []relay.Fault {
	var f relay.Faults
	if o.Host == "" || strings.ContainsAny(o.Host, "/@ \t\r\n") ||
		strings.Contains(o.Host, ":") && net.ParseIP(o.Host) == nil {
		f.Add("host", "%q is not the name of a host; write the mail server's name alone", o.Host)
	}
	if o.Port < 0 || o.Port > 65535 {
		f.Add("port", "%d is out of range; allowed: 1 to 65535", o.Port)
	}
	if (o.User == "") != (o.Password == "") {
		f.Add("password", "user and password belong together; add the other one")
	}
	checkAddress(&f, "from", o.From)
	checkAddress(&f, "to", o.To)
	return append(f, o.TLS.Check(true, "host", "")...)
}

func checkAddress(f *relay.Faults, key, address string) {
	a, err := netmail.ParseAddress(address)
	odd := func(r rune) bool { return r <= ' ' || r >= 0x7f }
	if err != nil || a.Address != address || strings.ContainsFunc(address, odd) {
		f.Add(key, "%q is not a mail address; write one such as stage-door@millrace.example, without a name", address)
	}
}

// Mail sends messages to one recipient by a mail server (SMTP, RFC 5321).
type Mail struct {
	opt   MailOptions
	files reading[*tls.Config]
}

// NewMail returns a way out with the given options, or [ErrOptions]. Each attempt reads the certificate files, so that
// it takes renewed ones.
func NewMail(o MailOptions) (*Mail, error) {
	if faults := o.Check(); len(faults) > 0 {
		return nil, relay.FaultError(ErrOptions, "mail", faults)
	}
	if o.Port == 0 {
		o.Port = 465
		if o.StartTLS {
			o.Port = 587
		}
	}
	return &Mail{opt: o}, nil
}

// Send sends a message. Its Message-ID is the message's ID at the domain of From, so that a message which arrives twice
// is known by it.
func (w *Mail) Send(ctx context.Context, m *alarm.Message) (answer string, err error) {
	link := &mailLink{}
	mm, err := w.compose(m, link.sendsText)
	if err != nil {
		return "", &Permanent{fmt.Errorf("mail: %w", err)}
	}
	c, err := w.certificates(ctx)
	if err != nil {
		return "", fmt.Errorf("mail: %w", err)
	}
	if !w.opt.StartTLS {
		link.tls = c
	}
	defer context.AfterFunc(ctx, link.close)()
	defer link.close() // the library leaves a connection open whose beginning has failed
	client, err := w.client(ctx, link, c)
	if err != nil {
		return "", fmt.Errorf("mail: %w", err)
	}
	err = client.DialAndSendWithContext(ctx, mm)
	if mm.IsDelivered() { // whatever happened afterwards
		return w.fit(mm.ServerResponse()), nil
	}
	if err == nil {
		err = errors.New("the server has not confirmed the message")
	}
	said := fmt.Errorf("mail to %s by %s: %s", w.opt.To, net.JoinHostPort(w.opt.Host, strconv.Itoa(w.opt.Port)),
		w.fit(err.Error()))
	if code := smtpCode(err); code >= 500 && code <= 599 {
		return "", &Permanent{said}
	}
	return "", said // 4yz, or a broken connection, or a certificate that another clock may accept
}

// AttemptTime is the time limit of an attempt: what comes before the text has attemptTime, and then the server has the
// rest for its answer.
func (w *Mail) AttemptTime() time.Duration { return attemptTime + dotTime }

// certificates reads the certificate files, for at most attemptTime.
func (w *Mail) certificates(ctx context.Context) (*tls.Config, error) {
	ctx, cancel := context.WithTimeout(ctx, attemptTime)
	defer cancel()
	return w.files.do(ctx, func() (*tls.Config, error) { return w.opt.TLS.Config(w.opt.Host) })
}

// compose writes the mail. Auto-Submitted keeps vacation programs from answering (RFC 3834). sending is called when the
// text is about to be sent.
func (w *Mail) compose(m *alarm.Message, sending func()) (*mail.Msg, error) {
	mm := mail.NewMsg()
	if err := errors.Join(mm.From(w.opt.From), mm.To(w.opt.To)); err != nil {
		return nil, err
	}
	mm.SetMessageIDWithValue(m.ID + w.opt.From[strings.LastIndex(w.opt.From, "@"):])
	mm.SetDateWithValue(m.At)
	mm.SetGenHeader("Auto-Submitted", "auto-generated")
	if m.Urgent {
		mm.SetImportance(mail.ImportanceUrgent)
	}
	mm.Subject(strings.Join(strings.Fields(m.Subject), " "))
	mm.SetBodyWriter(mail.TypeTextPlain, func(out io.Writer) (int64, error) {
		sending()
		n, err := io.WriteString(out, m.Text)
		return int64(n), err
	})
	return mm, nil
}

func (w *Mail) client(ctx context.Context, link *mailLink, c *tls.Config) (*mail.Client, error) {
	options := []mail.Option{mail.WithPort(w.opt.Port), mail.WithTLSConfig(c),
		mail.WithTLSPolicy(mail.TLSMandatory), mail.WithDialContextFunc(link.dial), mail.WithoutNoop()}
	if !w.opt.StartTLS {
		options = append(options, mail.WithSSL())
	}
	if end, ok := ctx.Deadline(); ok {
		options = append(options, mail.WithTimeout(max(time.Until(end), time.Millisecond)))
	}
	if w.opt.User != "" {
		options = append(options, mail.WithUsername(w.opt.User), mail.WithPassword(w.opt.Password),
			mail.WithOpportunisticSMTPAuth(mail.SMTPAuthPlain, mail.SMTPAuthLogin))
	}
	return mail.NewClient(w.opt.Host, options...)
}

// fit also removes the forms of the password that authentication uses (RFC 4616, and common practice for LOGIN).
func (w *Mail) fit(said string) string {
	plain := base64.StdEncoding.EncodeToString([]byte("\x00" + w.opt.User + "\x00" + w.opt.Password))
	return fit(said, w.opt.Password, plain)
}

// smtpCode returns the server's reply code, or 0 if it has given none.
func smtpCode(err error) int {
	var sending *mail.SendError
	if errors.As(err, &sending) {
		return sending.ErrorCode()
	}
	var reply *textproto.Error
	if errors.As(err, &reply) {
		return reply.Code
	}
	return 0
}

const (
	// dotTime is how long a server may take to answer the end of the text. After a shorter time it may have accepted
	// the mail, and would get it again (RFC 5321, section 4.5.3.2.6).
	dotTime = 10 * time.Minute
	// mostRead bounds what a server may send in an attempt, in bytes, since the library would keep a reply of any
	// length. Our own number: many times what certificates and replies take.
	mostRead = 256 << 10
)

var errTooLong = fmt.Errorf("the server sent more than %d bytes", mostRead)

// mailLink is the connection of one attempt.
type mailLink struct {
	tls *tls.Config // nil: in clear until STARTTLS

	mu    sync.Mutex
	conn  net.Conn
	slow  *time.Timer // ends the connection before the text is sent
	ended bool
}

// boundedConn is a connection from which at most left bytes are read.
type boundedConn struct {
	net.Conn
	left int
}

func (c *boundedConn) Read(b []byte) (int, error) {
	if c.left == 0 {
		return 0, errTooLong
	}
	n, err := c.Conn.Read(b[:min(len(b), c.left)])
	c.left -= n
	return n, err
}

func (l *mailLink) dial(ctx context.Context, network, address string) (net.Conn, error) {
	raw, err := (&net.Dialer{Timeout: attemptTime}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	conn := &boundedConn{raw, mostRead}
	l.mu.Lock()
	l.conn = conn
	l.slow = time.AfterFunc(attemptTime, l.close)
	ended := l.ended
	l.mu.Unlock()
	if ended {
		l.close()
		return nil, context.Canceled
	}
	if l.tls == nil {
		return conn, nil
	}
	secure := tls.Client(conn, l.tls)
	return secure, secure.HandshakeContext(ctx)
}

// sendsText says that the text is about to be sent.
func (l *mailLink) sendsText() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.slow != nil {
		l.slow.Stop()
	}
}

// close ends the connection, and with it the attempt.
func (l *mailLink) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.ended = true
	if l.conn != nil {
		l.slow.Stop()
		_ = l.conn.Close() // the only error is that it is closed already
	}
}
