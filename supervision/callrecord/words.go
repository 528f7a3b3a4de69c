package callrecord

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// ErrWord is wrapped by every error of the Parse and UnmarshalText functions of this package.
var ErrWord = errors.New("callrecord: unknown word")

// The words of every enumeration, indexed by value. They are read-only. Log, tables, JSON and journal use the same
// words.
var (
	directionWords = [directions]string{
		DirectionUnknown: "unknown", Incoming: "incoming", Outgoing: "outgoing", ByHand: "by-hand",
	}
	clearedByWords = [clearedByCount]string{
		ClearedByNobody: "nobody", ClearedByFarEnd: "far-end", ClearedByNearEnd: "near-end",
		ClearedByLostAdapter: "adapter-lost",
	}
	outcomeWords = [outcomes]string{
		OutcomeInProgress: "in-progress", OutcomeNotNeeded: "no-need", OutcomeCleared: "cleared",
		OutcomeUnknown:   "unknown",
		OutcomeCancelled: "cancelled", OutcomeSuppressed: "suppressed", OutcomeIncident: "incident",
		OutcomeBrokenOff: "broken-off", OutcomeHoldStayed: "hold-stayed",
		OutcomeRefused: "refused",
	}
)

// word returns the word of v, or its number if it has none.
func word(words []string, v uint8) string {
	if int(v) < len(words) {
		return words[v]
	}
	return strconv.Itoa(int(v))
}

// parse is the inverse of word. what names the enumeration in the error.
func parse(words []string, what, s string) (uint8, error) {
	for i, w := range words {
		if w == s {
			return uint8(i), nil
		}
	}
	if v, err := strconv.ParseUint(s, 10, 8); err == nil {
		return uint8(v), nil
	}
	return 0, fmt.Errorf("%w: no %s %q; known are %s", ErrWord, what, s, strings.Join(words, ", "))
}

// String returns the direction's word.
func (d Direction) String() string { return word(directionWords[:], uint8(d)) }

// MarshalText implements [encoding.TextMarshaler]; it never fails.
func (d Direction) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText implements [encoding.TextUnmarshaler]; d is unchanged on error.
func (d *Direction) UnmarshalText(text []byte) error {
	v, err := ParseDirection(string(text))
	if err == nil {
		*d = v
	}
	return err
}

// ParseDirection parses the word of a direction.
func ParseDirection(s string) (Direction, error) {
	v, err := parse(directionWords[:], "direction", s)
	return Direction(v), err
}

// String returns the word for the end that cleared.
func (c ClearedBy) String() string { return word(clearedByWords[:], uint8(c)) }

// MarshalText implements [encoding.TextMarshaler]; it never fails.
func (c ClearedBy) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText implements [encoding.TextUnmarshaler]; c is unchanged on error.
func (c *ClearedBy) UnmarshalText(text []byte) error {
	v, err := ParseClearedBy(string(text))
	if err == nil {
		*c = v
	}
	return err
}

// ParseClearedBy parses the word for the end that cleared.
func ParseClearedBy(s string) (ClearedBy, error) {
	v, err := parse(clearedByWords[:], "end of a call", s)
	return ClearedBy(v), err
}

// String returns the outcome's word.
func (o Outcome) String() string { return word(outcomeWords[:], uint8(o)) }

// MarshalText implements [encoding.TextMarshaler]; it never fails.
func (o Outcome) MarshalText() ([]byte, error) { return []byte(o.String()), nil }

// UnmarshalText implements [encoding.TextUnmarshaler]; o is unchanged on error.
func (o *Outcome) UnmarshalText(text []byte) error {
	v, err := ParseOutcome(string(text))
	if err == nil {
		*o = v
	}
	return err
}

// ParseOutcome parses the word of an outcome.
func ParseOutcome(s string) (Outcome, error) {
	v, err := parse(outcomeWords[:], "outcome", s)
	return Outcome(v), err
}
