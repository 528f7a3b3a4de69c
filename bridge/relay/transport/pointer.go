// Package transport has what the drivers share whose controllers are reached over TCP or answer in JSON.
package transport

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// ErrValue means that the answer does not have the value.
var ErrValue = errors.New("transport: the answer does not have the value")

// CheckPointer checks the syntax of a JSON Pointer (RFC 6901, section 3).
func CheckPointer(p string) error {
	if p != "" && p[0] != '/' {
		return fmt.Errorf("JSON pointer %q; it begins with /, as in /relays/0/on", p)
	}
	for i := range len(p) {
		if p[i] == '~' && (i+1 == len(p) || p[i+1] != '0' && p[i+1] != '1') {
			return fmt.Errorf("JSON pointer %q; ~ must be followed by 0 or 1 (~0 is ~, ~1 is /)", p)
		}
	}
	return nil
}

// Value returns the value at the pointer in an answer: the text of a string, or another simple value as it is written.
// With an empty pointer it returns the whole answer as text, without surrounding white space.
func Value(answer []byte, pointer string) (string, error) {
	if pointer == "" {
		return string(bytes.TrimSpace(answer)), nil
	}
	if !json.Valid(answer) {
		return "", fmt.Errorf("%w at %s: it is not JSON", ErrValue, pointer)
	}
	here := json.RawMessage(answer)
	for _, part := range strings.Split(pointer[1:], "/") {
		next, ok := step(here, strings.NewReplacer("~1", "/", "~0", "~").Replace(part))
		if !ok {
			return "", fmt.Errorf("%w at %s", ErrValue, pointer)
		}
		here = next
	}
	here = bytes.TrimSpace(here)
	switch here[0] {
	case '"':
		var s string
		err := json.Unmarshal(here, &s)
		return s, err
	case '{', '[':
		return "", fmt.Errorf("%w at %s: it is an object or an array", ErrValue, pointer)
	default:
		return string(here), nil
	}
}

// step returns a member of an object or an element of an array. If a member's name is repeated, the last one counts.
func step(v json.RawMessage, name string) (json.RawMessage, bool) {
	switch v = bytes.TrimSpace(v); v[0] {
	case '{':
		var members map[string]json.RawMessage
		if json.Unmarshal(v, &members) != nil {
			return nil, false
		}
		next, ok := members[name]
		return next, ok
	case '[':
		var elements []json.RawMessage
		i, ok := index(name)
		if !ok || json.Unmarshal(v, &elements) != nil || i >= len(elements) {
			return nil, false
		}
		return elements[i], true
	default:
		return nil, false
	}
}

// index parses an array index: 0, or digits without a leading 0 (RFC 6901, section 4).
func index(s string) (int, bool) {
	if s == "" || len(s) > 6 || len(s) > 1 && s[0] == '0' {
		return 0, false
	}
	n := 0
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int(c-'0')
	}
	return n, true
}
