package callflow

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// A script file has flows and parts, with one step per line; # begins a comment.
//
//	part NAME                     steps that flows share
//	flow TITLE                    the standard, section and figure; the steps follow
//	set NAME [VALUE]              a setting of the line (testbed_test.go)
//	use NAME                      the steps of a part
//
//	PARTY sends METHOD            a request, in a new dialog or an existing one
//	PARTY answers CODE            a response to the last request of that method without a final response
//	PARTY gets METHOD|CODE        the next message has to be this one
//	PARTY also gets METHOD|CODE   this message and those of the steps before it arrive in any order
//	PARTY loses METHOD|CODE       the message arrives, but counts as lost for the party
//	PARTY repeats METHOD|CODE     the last message of that kind is sent again
//	PARTY releases METHOD|CODE    a held message is sent
//	line sees EVENT               the next event of the line's machine, in its text form; loop events are left out
//	line registers                the line has the response to its registration at the service
//	line closes                   the agent closes; it sends nothing afterwards
//	loop opens                    one interruption; there must be as many as there are such steps
//
// PARTY is adapter or service. A message can have these options. On receipt they are conditions:
//
//	to METHOD     a response to that method (default: INVITE)
//	call NUMBER   the number that the request calls
//	in NAME       the dialog; "call" if the flow has only one
//	fork NAME     one of several dialogs of one INVITE
//	sdp [WORD]    a session description, with that direction (moved: with another address); the default is no body
//	body TYPE     another body
//	with 'H: V'   that header field ('H:' alone: any value)
//	like 'H: V'   that header field with a value that contains V
//	without H     no such header field
//	credentials   answers the last challenge (RFC 7616) with the right password
//	challenge R   challenges for realm R
//	cseq N        that CSeq number instead of the next one; +N, -N: relative to the next one
//	again         a repetition
//	held          is held back until it is released
//	lost          never arrives
//	twice         is sent twice
//	unanswered    gets no final response, so the end of the flow does not wait for one
//	open          the dialog stays: its BYE was lost or is not part of the flow
//
// In values, ${...} is replaced: ${adapter} and ${service} (their addresses), ${line.adapter} and ${line.service} (the
// line's addresses), ${PARTY.DIALOG.id}, .here and .there (Call-ID and tags as that party sees them), .rseq (of the
// last reliable provisional response).
type step struct {
	place       string // file:line
	text        string
	party, verb string
	what        string
	also        bool
	o           options
}

type options struct {
	to, call, in, fork, body, challenge, cseq  string
	sdp, credentials, again, held, lost, twice bool
	unanswered, open                           bool
	direction                                  string
	with, like, without                        []string
}

type flow struct {
	title    string
	place    string
	settings []step
	steps    []step
}

// parse reads one file. Files share their parts.
func parse(name, text string, parts map[string][]step) (flows []*flow, faults []string) {
	r := &reader{parts: parts}
	for i, raw := range strings.Split(text, "\n") {
		line := strings.TrimSpace(raw)
		if line == "" || line[0] == '#' {
			continue
		}
		r.place = fmt.Sprintf("%s:%d", name, i+1)
		if err := r.line(line); err != nil {
			faults = append(faults, fmt.Sprintf("%s: %v", r.place, err))
		}
	}
	return r.flows, faults
}

// reader is the position of parse in its file.
type reader struct {
	parts map[string][]step
	flows []*flow
	place string
	into  *flow  // the flow that is being read
	part  string // or the part that is being read
}

func (r *reader) line(line string) error {
	words, err := split(line)
	if err != nil {
		return err
	}
	switch words[0] {
	case "part":
		if len(words) != 2 || r.parts[words[1]] != nil {
			return errors.New("part needs a name of its own")
		}
		r.into, r.part = nil, words[1]
		r.parts[r.part] = []step{}
		return nil
	case "flow":
		r.into, r.part = &flow{title: strings.TrimSpace(strings.TrimPrefix(line, "flow")), place: r.place}, ""
		r.flows = append(r.flows, r.into)
		if r.into.title == "" {
			return errors.New("flow needs a title")
		}
		return nil
	}
	if r.into == nil && r.part == "" {
		return errors.New("a step before the first flow or part")
	}
	if words[0] == "use" {
		if len(words) != 2 || r.parts[words[1]] == nil {
			return fmt.Errorf("no part %q; define a part before its use", strings.Join(words[1:], " "))
		}
		r.add(r.parts[words[1]]...)
		return nil
	}
	s, err := parseStep(words)
	if err != nil {
		return err
	}
	s.place, s.text = r.place, line
	if s.verb == "set" {
		if r.part != "" {
			return errors.New("a part sets nothing; the flow does")
		}
		r.into.settings = append(r.into.settings, s)
		return nil
	}
	r.add(s)
	return nil
}

func (r *reader) add(steps ...step) {
	if r.part != "" {
		r.parts[r.part] = append(r.parts[r.part], steps...)
		return
	}
	r.into.steps = append(r.into.steps, steps...)
}

// split splits a line at spaces outside of quotation marks.
func split(line string) (words []string, err error) {
	for line = strings.TrimSpace(line); line != ""; line = strings.TrimSpace(line) {
		if line[0] != '\'' {
			w, rest, _ := strings.Cut(line, " ")
			words, line = append(words, w), rest
			continue
		}
		w, rest, ok := strings.Cut(line[1:], "'")
		if !ok {
			return nil, fmt.Errorf("no closing ' in %s", line)
		}
		words, line = append(words, w), rest
	}
	return words, nil
}

var (
	parties = []string{"adapter", "service"}
	verbs   = []string{"sends", "answers", "gets", "loses", "repeats", "releases"}
	methods = []string{"INVITE", "ACK", "BYE", "CANCEL", "OPTIONS", "REGISTER", "PRACK", "UPDATE", "INFO", "MESSAGE",
		"REFER", "NOTIFY", "SUBSCRIBE"}
)

func parseStep(words []string) (step, error) {
	s := step{party: words[0]}
	if len(words) < 2 {
		return s, fmt.Errorf("%q is not a step", words[0])
	}
	s.verb = words[1]
	switch {
	case s.party == "set":
		s.party, s.verb, s.what = "", "set", strings.Join(words[1:], " ")
		return s, nil
	case s.party == "loop" && s.verb == "opens" && len(words) == 2:
		return s, nil
	case s.party == "line" && (s.verb == "closes" || s.verb == "registers") && len(words) == 2:
		return s, nil
	case s.party == "line" && s.verb == "sees" && len(words) > 2:
		s.what = strings.Join(words[2:], " ")
		return s, nil
	case !slices.Contains(parties, s.party):
		return s, fmt.Errorf("%q is neither adapter, service, line nor loop", s.party)
	}
	words = words[2:]
	if s.verb == "also" && len(words) > 0 && words[0] == "gets" {
		s.also, s.verb, words = true, "gets", words[1:]
	}
	if !slices.Contains(verbs, s.verb) {
		return s, fmt.Errorf("%s cannot do %q", s.party, s.verb)
	}
	if len(words) == 0 {
		return s, fmt.Errorf("%s %s what?", s.party, s.verb)
	}
	s.what = words[0]
	code, err := strconv.Atoi(s.what)
	isCode := err == nil && code >= 100 && code < 700
	switch {
	case !isCode && !slices.Contains(methods, s.what):
		return s, fmt.Errorf("%q is neither a method nor a status code", s.what)
	case s.verb == "sends" && isCode, s.verb == "answers" && !isCode:
		return s, fmt.Errorf("%s %s %s: requests are sent, responses answered", s.party, s.verb, s.what)
	}
	return s, s.o.parse(words[1:])
}

// parse reads the options of a step.
func (o *options) parse(words []string) error {
	flags := map[string]*bool{"credentials": &o.credentials, "again": &o.again, "held": &o.held, "lost": &o.lost,
		"twice": &o.twice, "unanswered": &o.unanswered, "open": &o.open}
	values := map[string]*string{"to": &o.to, "call": &o.call, "in": &o.in, "fork": &o.fork, "body": &o.body,
		"challenge": &o.challenge, "cseq": &o.cseq}
	lists := map[string]*[]string{"with": &o.with, "like": &o.like, "without": &o.without}
	for len(words) > 0 {
		w := words[0]
		words = words[1:]
		if f := flags[w]; f != nil {
			*f = true
			continue
		}
		if w == "sdp" {
			o.sdp = true
			if len(words) > 0 && slices.Contains([]string{"sendrecv", "sendonly", "recvonly", "inactive", "moved"},
				words[0]) {
				o.direction, words = words[0], words[1:]
			}
			continue
		}
		if len(words) == 0 || values[w] == nil && lists[w] == nil {
			return fmt.Errorf("option %q is unknown or has no value", w)
		}
		if v := values[w]; v != nil {
			*v = words[0]
		} else {
			*lists[w] = append(*lists[w], words[0])
		}
		words = words[1:]
	}
	if o.to != "" && !slices.Contains(methods, o.to) {
		return fmt.Errorf("to %q is not a method", o.to)
	}
	return nil
}
