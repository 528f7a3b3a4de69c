package sipua

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"io"
	mathrand "math/rand/v2"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
)

// This file asks each service where a line registers for the state of our own registration (RFC 3680), so that the line
// registers again as soon as the service has removed its contact. Few services offer that; one that refuses is asked
// once a day.

const (
	// regPackage and reginfoType are the event package and its body (RFC 3680 sections 4.1 and 4.5).
	regPackage  = "reg"
	reginfoType = "application/reginfo+xml"
	// maxReginfo bounds the body of a NOTIFY, in octets. A contact takes some 200, and the account of a line has few of
	// them. Our own number.
	maxReginfo = 8192
	// settleTime is how long a removed contact may take to come back. Some registrars replace the contact at each
	// REGISTER, and report both steps. Our own number.
	settleTime = time.Second
)

// reginfo is the part of a body of type [reginfoType] that we use (RFC 3680 section 5.1).
type reginfo struct {
	XMLName       xml.Name `xml:"urn:ietf:params:xml:ns:reginfo reginfo"`
	State         string   `xml:"state,attr"` // full or partial
	Registrations []struct {
		Contacts []struct {
			ID         string `xml:"id,attr"`
			State      string `xml:"state,attr"` // active or terminated
			Event      string `xml:"event,attr"`
			RetryAfter string `xml:"retry-after,attr"`
			URI        string `xml:"uri"`
		} `xml:"contact"`
	} `xml:"registration"`
}

var errReginfo = errors.New("only one element is expected")

// parse reads a body of type [reginfoType]. It accepts no document type, no encoding but UTF-8, and nothing behind the
// element.
func (d *reginfo) parse(body []byte) error {
	in := xml.NewDecoder(bytes.NewReader(body))
	for begun := false; ; {
		switch token, err := in.Token(); token := token.(type) {
		case nil:
			if begun && errors.Is(err, io.EOF) {
				return nil
			}
			return err
		case xml.StartElement:
			if begun {
				return errReginfo
			}
			begun = true
			if err := in.DecodeElement(d, &token); err != nil {
				return err
			}
		case xml.Directive:
			return errReginfo
		}
	}
}

// contactState is what is known of our contact at the service.
type contactState uint8

const (
	contactUnknown contactState = iota
	contactActive
	contactMissing // in a list of all contacts
	contactGone
)

// stateOf returns what a document says of the contact with a user part, the service's name for that contact, and how
// long to wait before it is registered again.
func (d *reginfo) stateOf(user string) (is contactState, id string, pause time.Duration) {
	if d.State == "full" {
		is = contactMissing
	}
	for _, r := range d.Registrations {
		for _, c := range r.Contacts {
			u := sip.Uri{}
			if sip.ParseUri(strings.TrimSpace(c.URI), &u) != nil || u.User != user {
				continue
			}
			switch c.State {
			case "active":
				return contactActive, c.ID, 0
			case "terminated": // expired, deactivated, probation, unregistered or rejected
				is, id = contactGone, c.ID
				pause, _ = pauseOf(c.RetryAfter)
			}
		}
	}
	return is, id, pause
}

// registrationState is what the service has said of our contact. Safe for concurrent use.
type registrationState struct {
	s *account // set once

	mu      sync.Mutex
	is      contactState
	id      string      // of the contact that is or was active
	renewal *time.Timer // nil: none was ever due
	last    time.Time   // when the last one began
}

// subscribeToRegistration keeps the account subscribed to the state of its registration, until ctx ends.
func (s *account) subscribeToRegistration(ctx context.Context) {
	after := s.line.a.times.regEvents
	if after == 0 {
		return
	}
	select {
	case <-time.After(after + mathrand.N(after)): // the lines of one service ask at different times
	case <-ctx.Done():
		return
	}
	const day = 24 * time.Hour
	state := &registrationState{s: s}
	u := &subscriber{s: s, line: s.line, p: eventPackage{name: regPackage, accept: reginfoType,
		about: "the state of the registration", refused: day, longest: day, optional: true,
		handle: state.handleNotify, log: s.log.Debug}}
	u.run(ctx)
}

// handleNotify answers a NOTIFY of the subscription.
func (n *registrationState) handleNotify(s *socket, r *endpoint.Request) {
	body := r.Body()
	kind, _, _ := strings.Cut(first(r.Request, "Content-Type"), ";")
	var d reginfo
	switch {
	case packageOf(r.Request) != regPackage:
		s.reply(r, statusBadEvent, "Bad Event", sip.NewHeader("Allow-Events", regPackage))
		return
	case len(body) == 0:
		s.reply(r, sip.StatusOK, "OK")
		return
	case !strings.EqualFold(strings.TrimSpace(kind), reginfoType):
		s.reply(r, sip.StatusUnsupportedMediaType, "Unsupported Media Type", sip.NewHeader("Accept", reginfoType))
		return
	case len(body) > maxReginfo:
		s.reply(r, sip.StatusRequestEntityTooLarge, "Request Entity Too Large")
		return
	case d.parse(body) != nil:
		s.reply(r, sip.StatusBadRequest, "Bad Registration Information")
		return
	}
	s.reply(r, sip.StatusOK, "OK")
	n.noteState(d.stateOf(n.s.token))
}

// noteState registers again, after a pause, if the service has ended our contact, or no longer lists it. It does so
// once, until the service lists the contact again; if that happens within the pause, it does not do so at all. A
// contact that was never listed does not count as missing: a proxy may have changed it. A contact of another id is an
// older one of ours.
func (n *registrationState) noteState(is contactState, id string, pause time.Duration) {
	n.mu.Lock()
	defer n.mu.Unlock()
	was := n.is
	switch {
	case is == contactGone && was == contactActive && id != n.id:
		return
	case is == contactMissing && was == contactActive:
		is = contactGone
	case is == contactMissing, is == contactUnknown:
		is = was
	}
	n.is = is
	switch {
	case is == contactActive:
		n.id = id
		if n.renewal != nil {
			n.renewal.Stop()
		}
	case is == contactGone && was != contactGone:
		// a service that removes contacts all the time fills neither the log nor the memory
		pause = max(pause, settleTime, time.Until(n.last.Add(time.Minute)))
		n.renewal = time.AfterFunc(pause, n.renew)
	}
}

func (n *registrationState) renew() {
	n.mu.Lock()
	n.last = time.Now()
	n.mu.Unlock()
	n.s.log.Info("the service has removed the line's contact; the line registers there again",
		zap.String("registrar", n.s.Registrar.Host))
	n.s.client.Renew()
}
