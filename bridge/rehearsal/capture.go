package rehearsal

import (
	"fmt"
	"strings"
	"sync"

	"go.uber.org/zap/zapcore"
)

// capture is a log core that adds what the daemon logs about a line, or about a controller, to the timeline of its
// scene. What belongs to no scene is kept if it is a warning.
type capture struct {
	lines       map[string]*timeline // set once
	controllers map[string]*timeline // set once; only controllers used by a single scene
	with        []zapcore.Field
	notes       *notes
}

// notes are warnings that belong to no scene.
type notes struct {
	mu   sync.Mutex
	text []string
}

func (n *notes) add(s string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.text = append(n.text, s)
}

func (n *notes) all() []string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return append([]string(nil), n.text...)
}

var _ zapcore.Core = (*capture)(nil)

func (c *capture) Enabled(l zapcore.Level) bool { return l >= zapcore.InfoLevel }

func (c *capture) With(fields []zapcore.Field) zapcore.Core {
	return &capture{lines: c.lines, controllers: c.controllers, notes: c.notes,
		with: append(append([]zapcore.Field(nil), c.with...), fields...)}
}

func (c *capture) Check(e zapcore.Entry, ce *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if c.Enabled(e.Level) {
		return ce.AddCore(e, c)
	}
	return ce
}

func (c *capture) Write(e zapcore.Entry, fields []zapcore.Field) error {
	line, controller, text, fault, reason, advice := "", "", "", "", "", ""
	for _, f := range append(append([]zapcore.Field(nil), c.with...), fields...) {
		switch {
		case f.Key == "line":
			line = f.String
		case f.Key == "controller":
			controller = f.String
		case f.Key == "text":
			text = f.String
		case f.Key == "reason":
			reason = fmt.Sprint(f.Interface) // a word from the machine
		case f.Key == "advice":
			advice = f.String
		case f.Type == zapcore.ErrorType:
			if err, ok := f.Interface.(error); ok {
				fault = err.Error()
			}
		}
	}
	if e.Message != "event" && e.Message != "effect" {
		if e.Level < zapcore.WarnLevel {
			return nil
		}
		text = e.Level.String() + ": " + e.Message
		for _, more := range []string{fault, reason, advice} {
			if more != "" {
				text += ": " + more
			}
		}
	}
	switch t, b := c.lines[line], c.controllers[controller]; {
	case t != nil:
		t.add(e.Time, line, "clearback", text)
	case b != nil:
		b.add(e.Time, controller, "clearback", text)
	default:
		c.notes.add(strings.TrimSpace(line + " " + text))
	}
	return nil
}

func (c *capture) Sync() error { return nil }
