package cli

import (
	"fmt"
	"unicode"
	"unicode/utf8"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// maxLogged bounds a text in a log entry, in bytes: whoever sends a long header field fills no disk with it. Our own number: our errors
// are far shorter. A stack is ours and stays whole.
const maxLogged = 1000

// bounded is a core that cuts long texts.
type bounded struct{ zapcore.Core }

// With implements [zapcore.Core].
func (b bounded) With(fields []zapcore.Field) zapcore.Core {
	return bounded{b.Core.With(short(fields))}
}

// Check implements [zapcore.Core].
func (b bounded) Check(e zapcore.Entry, to *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if b.Enabled(e.Level) {
		return to.AddCore(e, b)
	}
	return to
}

// Write implements [zapcore.Core].
func (b bounded) Write(e zapcore.Entry, fields []zapcore.Field) error {
	e.Message = cut(e.Message)
	return b.Core.Write(e, short(fields))
}

// short returns the fields with their long texts cut.
func short(fields []zapcore.Field) []zapcore.Field {
	out := make([]zapcore.Field, len(fields))
	for i, f := range fields {
		switch {
		case f.Type == zapcore.StringType && f.Key != "stack":
			f.String = cut(f.String)
		case f.Type == zapcore.ErrorType:
			if err, ok := f.Interface.(error); ok && len(err.Error()) > maxLogged {
				f = zap.String(f.Key, cut(err.Error()))
			}
		}
		out[i] = f
	}
	return out
}

func cut(s string) string {
	if len(s) <= maxLogged {
		return s
	}
	return s[:maxLogged] + ".."
}

// plain makes a log line fit for a terminal: what does not print (the encoders leave DEL, the C1 controls and marks that turn the direction
// of writing as they came, and the console's message whole) is written as in a JSON string, which it may stand in.
func plain(line []byte) []byte {
	if clean(line) {
		return line
	}
	out := make([]byte, 0, len(line)+16)
	for len(line) > 0 {
		r, n := utf8.DecodeRune(line)
		switch {
		case r == utf8.RuneError && n == 1:
			out = append(out, '?')
		case printable(r):
			out = append(out, line[:n]...)
		case r > 0xffff:
			out = append(out, '?')
		default:
			out = fmt.Appendf(out, "\\u%04x", r)
		}
		line = line[n:]
	}
	return out
}

func clean(line []byte) bool {
	for _, c := range line {
		if c >= 0x7f || !printable(rune(c)) {
			return false
		}
	}
	return true
}

func printable(r rune) bool { return r == '\n' || r == '\t' || unicode.IsPrint(r) }
