package rehearsal

import (
	"strings"
	"sync"

	"go.uber.org/zap/zapcore"
)

// capture is a log core that files what the daemon says under the scene of the line it says it about. What belongs to no
// line is kept if it is a warning.
type capture struct {
	lines map[string]*timeline // set once
	with  []zapcore.Field
	notes *notes
}

// notes are warnings that belong to no line.
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
	return &capture{lines: c.lines, notes: c.notes, with: append(append([]zapcore.Field(nil), c.with...), fields...)}
}

func (c *capture) Check(e zapcore.Entry, ce *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if c.Enabled(e.Level) {
		return ce.AddCore(e, c)
	}
	return ce
}

func (c *capture) Write(e zapcore.Entry, fields []zapcore.Field) error {
	line, text, fault := "", "", ""
	for _, f := range append(append([]zapcore.Field(nil), c.with...), fields...) {
		switch {
		case f.Key == "line":
			line = f.String
		case f.Key == "text":
			text = f.String
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
		if fault != "" {
			text += ": " + fault
		}
	}
	if t := c.lines[line]; t != nil {
		t.add(e.Time, line, "clearback", text)
	} else {
		c.notes.add(strings.TrimSpace(line + " " + text))
	}
	return nil
}

func (c *capture) Sync() error { return nil }
