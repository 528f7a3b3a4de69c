package endpoint

import (
	"context"
	"log/slog"
	"sync"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
	"go.uber.org/zap/exp/zapslog"
)

// setLibraryLog runs once: the library has one logger for the whole process, which has to be set before use. It becomes
// the logger of the first endpoint.
var setLibraryLog sync.Once

func libraryLog(l *zap.Logger) {
	setLibraryLog.Do(func() { sip.SetDefaultLogger(slog.New(redact{zapslog.NewHandler(l.Core())})) })
}

// redact removes what the library quotes of packets that it could not parse, since they may hold credentials.
type redact struct{ slog.Handler }

// mayQuoteMessage reports whether an attribute may hold a message or parts of one.
func mayQuoteMessage(a slog.Attr) bool {
	switch a.Key {
	case "data", "req", "res", "msg", "error":
		return true
	}
	return false
}

func clean(attrs []slog.Attr) []slog.Attr {
	kept := make([]slog.Attr, 0, len(attrs))
	for _, a := range attrs {
		if a.Value.Kind() == slog.KindGroup {
			a = slog.Attr{Key: a.Key, Value: slog.GroupValue(clean(a.Value.Group())...)}
		}
		if !mayQuoteMessage(a) {
			kept = append(kept, a)
		}
	}
	return kept
}

// Enabled lets only warnings and errors through. The library's lower levels are about connections.
func (h redact) Enabled(ctx context.Context, l slog.Level) bool {
	return l >= slog.LevelWarn && h.Handler.Enabled(ctx, l)
}

// Handle implements [slog.Handler]. A malformed packet is not our fault, so it is logged at debug level.
func (h redact) Handle(ctx context.Context, r slog.Record) error {
	level := min(r.Level, slog.LevelWarn)
	if r.Message == "failed to parse" {
		level = slog.LevelDebug
	}
	if !h.Handler.Enabled(ctx, level) {
		return nil
	}
	n := slog.NewRecord(r.Time, level, "SIP library: "+r.Message, 0)
	var attrs []slog.Attr
	r.Attrs(func(a slog.Attr) bool { attrs = append(attrs, a); return true })
	n.AddAttrs(clean(attrs)...)
	return h.Handler.Handle(ctx, n)
}

// WithAttrs implements [slog.Handler].
func (h redact) WithAttrs(attrs []slog.Attr) slog.Handler {
	return redact{h.Handler.WithAttrs(clean(attrs))}
}

// WithGroup implements [slog.Handler].
func (h redact) WithGroup(name string) slog.Handler { return redact{h.Handler.WithGroup(name)} }
