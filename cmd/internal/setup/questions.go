package setup

import (
	"context"
	"errors"
	"fmt"
	"maps"
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

// ask returns the answer to a question: from a flag, from an earlier run or from the person, whom it asks until the
// answer is right.
func (s *setup) ask(ctx context.Context, q question) (string, error) {
	for {
		v, flag, err := s.answer(ctx, q)
		if err != nil {
			return "", err
		}
		was, had := s.kept[q.key]
		if v, err = s.judge(q, v); err == nil {
			if q.secret {
				s.secrets[q.key] = v
				was = s.stored(q.key)
			}
			if had && was != v {
				s.unprove(q.key)
			}
			if q.secret {
				return v, nil // it is stored once it is proved
			}
			return v, s.keep(q.key, v)
		}
		if flag || s.o.Batch || ctx.Err() != nil {
			return "", fmt.Errorf("--%s: %w", q.key, err)
		}
		s.person.Say("  %v", err)
		if had {
			delete(s.kept, q.key)
			s.unprove(q.key)
		}
	}
}

// answer returns an answer that is not judged yet, and whether a flag gave it.
func (s *setup) answer(ctx context.Context, q question) (v string, flag bool, err error) {
	flags := s.o.Answers
	if q.secret {
		flags = s.o.Secrets
	}
	if v, ok := flags[q.key]; ok {
		delete(flags, q.key)
		return v, true, nil
	}
	v = s.kept[q.key]
	if q.secret {
		v = s.stored(q.key)
	}
	if v != "" {
		return v, false, nil
	}
	if s.o.Batch {
		flag := q.key
		if q.secret {
			flag += "-file"
		}
		return "", false, fmt.Errorf("--%s is missing: %s", flag, q.term)
	}
	s.person.Say("\n%s", q.term)
	prompt := q.prompt
	if q.usual != "" && !q.secret {
		prompt += " [" + q.usual + "]"
	}
	if v, err = s.person.Ask(ctx, prompt+": ", q.secret); v == "" {
		v = q.usual
	}
	return v, false, err
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
	was, had := s.kept[key]
	s.kept[key] = v
	upTo := map[string]stage{"contact": withContact, "timed": complete}[key]
	_, faults := config.Parse(s.o.Path, []byte(s.text(upTo, asCredential)), config.Env{})
	if delete(s.kept, key); had {
		s.kept[key] = was
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
	if s.kept[proved+what] != "" {
		return nil
	}
	if err := prove(); err != nil {
		return err
	}
	return s.keep(proved+what, "yes")
}

// proved begins the marks of what is proved.
const proved = "proved-"

// unprove removes all marks, since an answer has changed. The secrets in the files of another name are not this line's.
func (s *setup) unprove(key string) {
	maps.DeleteFunc(s.kept, func(k, _ string) bool {
		return strings.HasPrefix(k, proved) || key == "line" && suffixes[k] != ""
	})
}
