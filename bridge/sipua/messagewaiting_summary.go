package sipua

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

const (
	// messagePackage and summaryType are the event package and its body (RFC 3842).
	messagePackage = "message-summary"
	summaryType    = "application/simple-message-summary"
	// maxSummary bounds the body of a NOTIFY, in octets. The account and its classes need some 200; the rest describes
	// single messages, which no adapter shows. Our own number.
	maxSummary = 8192
)

// classes are the message classes (RFC 3842 section 5.2, from memory).
var classes = []string{"Voice-Message", "Video-Message", "Fax-Message", "Pager-Message", "Multimedia-Message",
	"Text-Message", "None"}

// summary is a service's summary of waiting messages, without the descriptions of single messages.
type summary struct {
	waiting bool
	counts  []string // "Voice-Message: 2/8 (0/2)", parsed and rewritten
}

var errSummary = errors.New(`a message summary begins with "Messages-Waiting: yes" or "no"`)

// parseSummary parses a body of type [summaryType].
func parseSummary(body []byte) (summary, error) {
	var s summary
	begun := false
	for line := range strings.Lines(string(body)) {
		line = strings.TrimRight(line, "\r\n")
		name, value, _ := strings.Cut(line, ":")
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		switch {
		case !begun && line == "":
		case !begun:
			yes := strings.EqualFold(value, "yes")
			if !strings.EqualFold(name, "Messages-Waiting") || !yes && !strings.EqualFold(value, "no") {
				return summary{}, errSummary
			}
			s.waiting, begun = yes, true
		case line == "":
			return s, nil // single messages follow
		default:
			s.count(name, value)
		}
	}
	if !begun {
		return summary{}, errSummary
	}
	return s, nil
}

// count adds the line of one class. Other lines are left out.
func (s *summary) count(name, value string) {
	i := slices.IndexFunc(classes, func(c string) bool { return strings.EqualFold(c, name) })
	if i < 0 || slices.ContainsFunc(s.counts, func(c string) bool { return strings.HasPrefix(c, classes[i]+":") }) {
		return
	}
	all, urgent, has := strings.Cut(value, "(")
	text, ok := pairOf(all)
	if !ok {
		return
	}
	if more, ok := pairOf(strings.TrimSuffix(strings.TrimSpace(urgent), ")")); has && ok {
		text += " (" + more + ")"
	}
	s.counts = append(s.counts, classes[i]+": "+text)
}

// pairOf parses the numbers of new and old messages, "2/8".
func pairOf(v string) (string, bool) {
	a, b, _ := strings.Cut(v, "/")
	fresh, err := strconv.ParseUint(strings.TrimSpace(a), 10, 32)
	old, err2 := strconv.ParseUint(strings.TrimSpace(b), 10, 32)
	return fmt.Sprintf("%d/%d", fresh, old), err == nil && err2 == nil
}

// body formats the summary for another account.
func (s summary) body(account string) []byte {
	word := "no"
	if s.waiting {
		word = "yes"
	}
	lines := append([]string{"Messages-Waiting: " + word, "Message-Account: " + account}, s.counts...)
	return []byte(strings.Join(lines, "\r\n") + "\r\n")
}

func (s summary) same(as summary) bool {
	return s.waiting == as.waiting && slices.Equal(s.counts, as.counts)
}
