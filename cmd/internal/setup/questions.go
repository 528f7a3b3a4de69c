package setup

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"clearback/config"
)

// question is one question. Its key is also the name of its flag.
type question struct {
	key    string
	term   string // what is asked for, in one line
	prompt string
	usual  string // the answer of Enter alone, "" if there is none
	secret bool   // the answer is neither shown nor kept
	// check proves an answer and returns it in its final form. nil: the rules of the configuration file are enough.
	check func(string) (string, error)
}

// shared are the keys of the questions that are asked once for all lines.
var shared = []string{"country", "server", "address", "service-side"}

// key returns the name under which the present line's answer is kept.
func (s *setup) key(key string) string {
	if slices.Contains(shared, key) {
		return key
	}
	return fmt.Sprintf("%d.%s", s.line, key)
}

// ask returns the answer to a question: from a flag, from an earlier run or from the person, whom it asks until the
// answer is right.
func (s *setup) ask(ctx context.Context, q question) (string, error) {
	key := s.key(q.key)
	for {
		v, err := s.answer(ctx, q)
		if err != nil {
			return "", err
		}
		was, had := s.kept[key]
		if v, err = s.judge(q, v); err == nil {
			if q.secret {
				s.secrets[key] = v
				was = s.stored(q.key)
			}
			if had && was != v {
				s.unprove()
			}
			if q.secret {
				return v, nil // it is stored once it is proved
			}
			return v, s.keep(key, v)
		}
		if s.o.Batch || ctx.Err() != nil {
			return "", fmt.Errorf("--%s: %w", q.key, err)
		}
		s.person.Say("  %v", err)
		delete(s.kept, key)
	}
}

// answer returns an answer that is not judged yet.
func (s *setup) answer(ctx context.Context, q question) (string, error) {
	key, flags := s.key(q.key), s.o.Answers
	if q.secret {
		flags = s.o.Secrets
	}
	if v, ok := flags[q.key]; ok && s.line == 0 {
		delete(flags, q.key)
		return v, nil
	}
	switch v, ok := s.kept[key]; {
	case ok && !q.secret:
		return v, nil
	case ok:
		if v := s.stored(q.key); v != "" {
			return v, nil
		}
	}
	if s.o.Batch {
		flag := q.key
		if q.secret {
			flag += "-file"
		}
		return "", fmt.Errorf("--%s is missing: %s", flag, q.term)
	}
	usual := q.usual
	if v := s.earlier[key]; v != "" && !q.secret {
		usual = v
	}
	s.person.Say("\n%s", q.term)
	prompt := q.prompt
	if usual != "" && !q.secret {
		prompt += " [" + usual + "]"
	}
	v, err := s.person.Ask(ctx, prompt+": ", q.secret)
	if err == nil && v == "" {
		v = usual
	}
	return v, err
}

// judge checks an answer by the rules of the file and by its own check.
func (s *setup) judge(q question, v string) (string, error) {
	switch {
	case v == "":
		return "", errors.New("an answer is needed")
	case strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return "", errors.New("it has control characters in it")
	case q.secret:
		return v, nil
	case q.check != nil:
		var err error
		if v, err = q.check(v); err != nil {
			return "", err
		}
	}
	return v, s.valid(q.key, v)
}

// valid returns the first fault that the file would have with an answer.
func (s *setup) valid(key, v string) error {
	name := s.key(key)
	was, had := s.kept[name]
	s.kept[name] = v
	upTo := map[string]stage{"contact": readOnly, "timed": complete}[key]
	_, faults := config.Parse(s.o.Path, []byte(s.text(0, s.line+1, upTo, asCredential)), config.Env{})
	if delete(s.kept, name); had {
		s.kept[name] = was
	}
	if len(faults) == 0 {
		return nil
	}
	problem := faults[0].Problem
	if _, words, ok := strings.Cut(problem, ": "); ok { // without the place in the file
		problem = words
	}
	return errors.New(problem)
}

// once proves what is not proved yet, in this run or an earlier one.
func (s *setup) once(what string, prove func() error) error {
	mark := s.key(proved + what)
	if s.kept[mark] != "" {
		return nil
	}
	if err := prove(); err != nil {
		return err
	}
	return s.keep(mark, "yes")
}

// proved begins the marks of what is proved, behind the number of the line.
const proved = "proved-"

// unprove removes all marks, since an answer has changed.
func (s *setup) unprove() {
	maps.DeleteFunc(s.kept, func(key, _ string) bool { return strings.Contains(key, "."+proved) })
}

// forget makes the answers be asked again, each with its old value as the usual one. What they had proved is not proved
// any more.
func (s *setup) forget(keys ...string) {
	for _, k := range keys {
		key := s.key(k)
		s.earlier[key] = s.kept[key]
		delete(s.kept, key)
	}
}
