package alarms

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"net/mail"
	"strings"
	"testing"
	"time"

	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
)

// message returns a message about the alarms with the given keys. The text form is what other programs rely on.
func message(t testing.TB, id string, urgent bool, keys ...string) *alarm.Message {
	t.Helper()
	m := &alarm.Message{}
	require.NoError(t, json.Unmarshal([]byte(`{"kind": "begun", "site": "Millrace Playhouse",
		"subject": "box-office: the adapter does not respond", "text": "Line box-office: the adapter does not respond.\nCheck it.\n"}`), m))
	m.ID, m.At, m.Urgent = id, time.Now().UTC().Truncate(time.Second), urgent
	for _, key := range keys {
		m.Alarms = append(m.Alarms, alarm.Alarm{Key: key, Line: "box-office", Reason: "unreachable", Since: m.At})
	}
	return m
}

func permanent(err error) bool {
	var p *Permanent
	return errors.As(err, &p)
}

func send(t *testing.T, w Way, m *alarm.Message, limit time.Duration) (string, error) {
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	return w.Send(ctx, m)
}

// TestMail checks a mail that the server accepts, with TLS at once and with STARTTLS: its headers (RFC 5322, RFC 3834)
// and that nothing but the greeting was in clear.
func TestMail(t *testing.T) {
	for name, s := range map[string]*mailServer{"implicit TLS": {implicit: true}, "STARTTLS": {},
		"cut after acceptance": {replies: map[string]string{"RSET": "421 too late", "QUIT": "421 too late"}}} {
		t.Run(name, func(t *testing.T) {
			w, err := NewMail(s.options(t, s.start(t)))
			require.NoError(t, err)
			answer, err := send(t, w, message(t, "a-1", true), 10*time.Second)
			require.NoError(t, err)
			require.Contains(t, answer, "queued as 4711")
			inClear, delivered := s.seen()
			require.Len(t, delivered, 1)
			m, err := mail.ReadMessage(strings.NewReader(delivered[0]))
			require.NoError(t, err)
			require.Equal(t, "<a-1@millrace.example>", m.Header.Get("Message-ID"))
			require.Equal(t, "auto-generated", m.Header.Get("Auto-Submitted"))
			require.Equal(t, "box-office: the adapter does not respond", m.Header.Get("Subject"))
			requireNoSecret(t, inClear)
		})
	}
}

func requireNoSecret(t *testing.T, text string) {
	t.Helper()
	require.NotContains(t, text, "correct horse")
	require.NotContains(t, text, "AUTH")
	require.NotContains(t, text, "MAIL")
	for _, secret := range []string{"correct horse", "\x00alarms\x00correct horse"} {
		require.NotContains(t, text, base64.StdEncoding.EncodeToString([]byte(secret)))
	}
}

// TestMailRefused checks which answers of a server are final (RFC 5321, section 4.2.1: 5yz), and that no error shows
// the password, even if the server repeats it.
func TestMailRefused(t *testing.T) {
	echo := base64.StdEncoding.EncodeToString([]byte("\x00alarms\x00correct horse"))
	for _, tt := range []struct {
		verb, reply string
		permanent   bool
	}{
		{"EHLO", "421 busy", false}, {"MAIL", "421 busy", false}, {"MAIL", "451 local error", false},
		{"RCPT", "452 no space", false}, {"RCPT", "450 greylisted", false}, {"DATA", "451 later", false}, {".", "451 later", false},
		{"AUTH", "454 later", false},
		{"AUTH", "535 wrong: correct horse " + echo, true}, {"MAIL", "530 log in first", true},
		{"RCPT", "550 no such mailbox", true}, {"DATA", "554 no", true}, {".", "554 spam", true},
	} {
		t.Run(tt.verb+" "+tt.reply[:3], func(t *testing.T) {
			s := &mailServer{replies: map[string]string{tt.verb: tt.reply}}
			if tt.verb == "EHLO" {
				s.replies["HELO"] = tt.reply
			}
			w, err := NewMail(s.options(t, s.start(t)))
			require.NoError(t, err)
			_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
			require.ErrorContains(t, err, tt.reply[:3])
			require.Equal(t, tt.permanent, permanent(err), err)
			require.NotContains(t, err.Error(), "correct horse")
			require.NotContains(t, err.Error(), echo)
			_, delivered := s.seen()
			require.Empty(t, delivered)
		})
	}
}

// TestMailWithoutTLS checks that nothing goes in clear, not even the credentials, and that the failure is not final.
func TestMailWithoutTLS(t *testing.T) {
	for name, tt := range map[string]struct {
		server *mailServer
		host   string
		until  time.Duration
		want   string
	}{
		"no STARTTLS":       {&mailServer{noSTARTTLS: true}, "localhost", time.Hour, "STARTTLS"},
		"STARTTLS refused":  {&mailServer{replies: map[string]string{"STARTTLS": "454 not now"}}, "localhost", time.Hour, "454"},
		"wrong host name":   {&mailServer{}, "mail.example", time.Hour, "valid for mail.example"},
		"expired":           {&mailServer{}, "localhost", -time.Hour, "expired"},
		"unknown authority": {&mailServer{}, "localhost", time.Hour, "unknown authority"},
		"wrong name, TLS":   {&mailServer{implicit: true}, "mail.example", time.Hour, "valid for mail.example"},
	} {
		t.Run(name, func(t *testing.T) {
			o := tt.server.options(t, tt.server.start(t))
			ca := o.TLS.CA
			cert, other := certificate(t, tt.host, time.Now().Add(tt.until))
			tt.server.setCert(cert)
			o.TLS.CA = other
			if name == "unknown authority" {
				o.TLS.CA = ca
			}
			w, err := NewMail(o)
			require.NoError(t, err)
			_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
			require.ErrorContains(t, err, tt.want)
			require.False(t, permanent(err))
			inClear, delivered := tt.server.seen()
			requireNoSecret(t, inClear)
			require.Empty(t, delivered)
		})
	}
}

// TestMailBroken checks a server that hangs or cuts the connection: the attempt ends in time and is not final, and a
// second one has the same Message-ID.
func TestMailBroken(t *testing.T) {
	for name, tt := range map[string]struct {
		server    *mailServer
		delivered int
	}{
		"hangs at EHLO":       {&mailServer{hang: "EHLO"}, 0},
		"hangs at RCPT":       {&mailServer{hang: "RCPT"}, 0},
		"hangs at DATA":       {&mailServer{hang: "DATA"}, 0},
		"cut within the data": {&mailServer{cut: "data"}, 0},
		"cut after the dot":   {&mailServer{cut: "."}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			w, err := NewMail(tt.server.options(t, tt.server.start(t)))
			require.NoError(t, err)
			limit := 10 * time.Second
			if tt.server.hang != "" {
				limit = 100 * time.Millisecond
			}
			for range 2 {
				begin := time.Now()
				_, err = send(t, w, message(t, "a-1", false), limit)
				require.Error(t, err)
				require.False(t, permanent(err), err)
				require.Less(t, time.Since(begin), 5*time.Second)
			}
			_, delivered := tt.server.seen()
			require.Len(t, delivered, tt.delivered)
			for _, text := range delivered {
				require.Contains(t, text, "Message-ID: <a-1@millrace.example>\r\n")
			}
		})
	}
}

// TestBadOptions checks that bad settings are reported by their key and without secrets.
func TestBadOptions(t *testing.T) {
	_, err := NewMail(MailOptions{Host: "mail.example:25", Port: 70000, User: "x", From: "Box Office <a@b.example>",
		To: "b"})
	require.ErrorIs(t, err, ErrOptions)
	for _, key := range []string{"host", "port", "password", "from", "to"} {
		require.ErrorContains(t, err, key+":")
	}
	_, err = NewWebhook(WebhookOptions{URL: "ftp://hook.example/s3cret", Secret: "whsec_!!!"})
	require.ErrorIs(t, err, ErrOptions)
	require.ErrorContains(t, err, "url:")
	require.ErrorContains(t, err, "secret:")
	require.NotContains(t, err.Error(), "s3cret")
	_, err = NewWebhook(WebhookOptions{URL: "https://hook.example", Secret: keyPrefix})
	require.ErrorContains(t, err, "secret:", "messages would not be signed")
	_, err = NewMQTT(MQTTOptions{Address: "http://broker.example", Topic: "a/#", Password: "s3cret"})
	require.ErrorIs(t, err, ErrOptions)
	for _, key := range []string{"address", "topic", "password"} {
		require.ErrorContains(t, err, key+":")
	}
	require.NotContains(t, err.Error(), "s3cret")
	_, err = NewProgram(ProgramOptions{Path: "notify", Arguments: []string{"a\x00b"}})
	require.ErrorIs(t, err, ErrOptions)
	require.ErrorContains(t, err, "path:")
	require.ErrorContains(t, err, "arguments[0]:")
}
