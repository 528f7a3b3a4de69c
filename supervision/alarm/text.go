package alarm

import (
	"fmt"
	"strings"
	"time"

	"clearback/supervision/sanitize"
)

const (
	subjectLimit  = 120 // bytes, see [Message]
	columns       = 76  // of the text
	sentenceLimit = 1000
	sinceRestart  = "Since clearback was restarted, this has not been seen again."
	noLonger      = "Clearback was restarted and no longer looks at this contact, which may still be open. Go and look."
	beforeRestart = "That was before clearback was restarted, and it may have ended."
)

// part is an alarm of a message, and what the message says about it.
type part struct {
	Alarm
	kind  Kind
	times int
}

// titles are the classes in words.
var titles = map[Class]string{
	ClassEmergency:    "an emergency call was not answered",
	ClassLoop:         "the loop is open, or its state is unknown",
	ClassDaemon:       "it does not serve its lines",
	ClassAbandoned:    "an emergency call was abandoned",
	ClassLine:         "incident",
	ClassInterval:     "a longer interval is in use",
	ClassRegistration: "not registered",
	ClassController:   "the controller has a problem",
	ClassRecord:       "the record has a problem",
	ClassWay:          "alarms are not accepted",
	ClassNetwork:      "the network has a problem",
	ClassCertificate:  "a certificate expires soon",
}

// title returns what the alarm is about in a few words.
func (p *part) title() string {
	if p.Class == ClassTest {
		return "a test of the alarms"
	}
	where := p.Key
	if p.Line != "" {
		where = "line " + p.Line
	}
	words := titles[p.Class]
	if p.Class == ClassLoop && p.kind == KindEnded {
		words = "the alarm about the loop" // so that nobody takes this for a loop that is open
	}
	if words == "" || p.Class == ClassLine || p.Class == ClassRegistration {
		words = strings.TrimSpace(words + " " + p.Reason)
	}
	return where + ": " + words
}

// subject returns the first alarm that the message is about, and the number of the others.
func subject(m *Message, parts []part) string {
	first := parts[0]
	for _, p := range parts {
		if p.kind == m.Kind {
			first = p
			break
		}
	}
	word := map[Kind]string{KindLasts: "still: ", KindEnded: "ended: "}[m.Kind]
	if m.Urgent && m.Kind != KindEnded {
		word = "URGENT: " + word
	}
	s := m.Site + ": " + word + first.title()
	if len(parts) > 1 {
		s = cut(s, subjectLimit-20)
		s = fmt.Sprintf("%s, and %d more", s, len(parts)-1)
	}
	return cut(s, subjectLimit)
}

// cut returns s in at most that many bytes, without control characters.
func cut(s string, most int) string {
	s = sanitize.Text(s, most)
	for n := most; len(s) > most; n-- {
		s = sanitize.Text(s, n)
	}
	return s
}

// text returns the message as a person reads it: what, where, since when, what to do.
func text(m *Message, parts []part) string {
	var b strings.Builder
	for _, section := range []struct {
		kind Kind
		head string
	}{{KindBegun, "New: "}, {KindLasts, "Still there: "}, {KindEnded, "Ended: "}, {KindTest, "This is "}} {
		for i := range parts {
			if p := &parts[i]; p.kind == section.kind {
				p.write(&b, section.head)
			}
		}
	}
	paragraph(&b, "", fmt.Sprintf("Site: %s. Message %s.", m.Site, m.ID))
	return b.String()
}

func (p *part) write(b *strings.Builder, head string) {
	paragraph(b, "", head+p.title())
	when := "Since " + stamp(p.Since) + "."
	switch {
	case p.Until.Equal(p.Since):
		when = "At " + stamp(p.Since) + "."
	case !p.Until.IsZero():
		when = "From " + stamp(p.Since) + " to " + stamp(p.Until) + "."
	}
	if p.times > 1 {
		when += fmt.Sprintf(" It happened %d times since the last message about it.", p.times)
	}
	paragraph(b, "  ", p.What)
	paragraph(b, "  ", when)
	if p.kind != KindEnded {
		paragraph(b, "  ", p.Do)
	}
	b.WriteByte('\n')
}

func stamp(t time.Time) string { return t.Format("2006-01-02 15:04:05 -0700") }

// paragraph writes text in lines of limited width. A longer word has a line of its own.
func paragraph(b *strings.Builder, indent, text string) {
	if text == "" {
		return
	}
	line := indent
	for word := range strings.FieldsSeq(sanitize.Text(text, sentenceLimit)) {
		if len(line) > len(indent) && len(line)+1+len(word) > columns {
			b.WriteString(line + "\n")
			line = indent
		}
		if len(line) > len(indent) {
			line += " "
		}
		line += word
	}
	b.WriteString(strings.TrimRight(line, " ") + "\n")
}

// Test returns the message that tests a way.
func Test(site, id string, at time.Time) *Message {
	p := part{Alarm: Alarm{Key: "test", Class: ClassTest, Reason: "test", What: "Somebody tests the alarms of this site.",
		Do: "Nothing needs to be done.", Since: at, Until: at}, kind: KindTest}
	m := &Message{ID: id, At: at, Site: site, Kind: KindTest, Alarms: []Alarm{p.Alarm}}
	m.Subject, m.Text = subject(m, []part{p}), text(m, []part{p})
	return m
}
