package journal

import (
	"unicode/utf8"

	"clearback/supervision/callrecord"
)

// shortDigits is the number of digits that [DetailShort] keeps.
const shortDigits = 3

// of returns the part of a party that may be recorded.
func (d Detail) of(p callrecord.Party, emergency bool) callrecord.Party {
	switch {
	case emergency || d == DetailFull:
		return p
	case d == DetailShort:
		return callrecord.Party{Number: lastDigits(p.Number), CallID: p.CallID}
	default:
		return callrecord.Party{}
	}
}

// lastDigits returns the last three digits of a number, with an ellipsis for the digits before them. For a text without
// digits, which is a name, it returns an empty string.
func lastDigits(number string) string {
	var last []byte
	more := false
	for i := len(number) - 1; i >= 0; i-- {
		c := number[i]
		switch {
		case c < '0' || c > '9':
			continue
		case len(last) == shortDigits:
			more = true
		default:
			last = append([]byte{c}, last...)
		}
		if more {
			break
		}
	}
	if !more {
		return string(last)
	}
	return string(utf8.AppendRune(nil, '…')) + string(last)
}
