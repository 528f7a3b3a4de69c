package cli

import (
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// maxLogged is the longest text in a log entry, in bytes. It keeps a sender of long header fields from filling the
// disk. It is our own figure; our errors are far shorter. A stack trace comes from us and is not cut.
const maxLogged = 1000

// boundedCore is a log core that cuts long texts.
type boundedCore struct{ zapcore.Core }

// With implements [zapcore.Core].
func (b boundedCore) With(fields []zapcore.Field) zapcore.Core {
	return boundedCore{b.Core.With(short(fields))}
}

// Check implements [zapcore.Core].
func (b boundedCore) Check(e zapcore.Entry, to *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if b.Enabled(e.Level) {
		return to.AddCore(e, b)
	}
	return to
}

// Write implements [zapcore.Core].
func (b boundedCore) Write(e zapcore.Entry, fields []zapcore.Field) error {
	e.Message = cut(e.Message)
	return b.Core.Write(e, short(fields))
}

// short returns the fields with long texts cut.
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
