package journal

import (
	"context"
	"errors"
	"time"

	"clearback/supervision/story"
)

// What a journal file can be that is none to read.
var (
	// ErrNone: there is no such file.
	ErrNone = errors.New("journal: there is none")
	// ErrNewer: a newer version of clearback wrote it.
	ErrNewer = errors.New("journal: written by a newer version")
)

// Reader reads a journal, also while a daemon writes it; it never blocks the writer.
type Reader struct{}

// OpenReader opens a journal for reading.
func OpenReader(path string) (*Reader, error) { return nil, ErrNone }

// Close closes the file.
func (r *Reader) Close() error { return nil }

// Row is a call of the journal.
type Row struct {
	ID int64 // rises with every call
	// Changed rises with every change of any call: what `calls --follow` waits for.
	Changed int64
	story.Account
}

// Filter of [Reader.Calls]. Zero values filter nothing.
type Filter struct {
	Line   string
	Since  time.Time
	Failed bool  // incidents, and clearings whose outcome may have left a hold
	After  int64 // only with Changed beyond it
	Limit  int   // the latest so many; 0: all
}

// Calls returns calls in the order of their beginning.
func (r *Reader) Calls(ctx context.Context, f Filter) ([]Row, error) { return nil, nil }

// Call returns the call of that number (the latest, if a number was used twice), with the entries of it and those of its line meanwhile.
func (r *Reader) Call(ctx context.Context, call uint64) (Row, []story.Entry, error) {
	return Row{}, nil, nil
}

// Last returns the last call of a line ("": of any) that had a clearing, else the last call.
func (r *Reader) Last(ctx context.Context, line string) (Row, []story.Entry, error) {
	return Row{}, nil, nil
}

// Incidents returns incidents, the open ones only or all since then, of a line or ("") of all.
func (r *Reader) Incidents(ctx context.Context, line string, open bool, since time.Time) ([]story.Incident, error) {
	return nil, nil
}

// Trials returns the trials of a line's latest session, in order.
func (r *Reader) Trials(ctx context.Context, line string) ([]Trial, error) { return nil, nil }

// LineState returns what was kept of a line.
func (r *Reader) LineState(ctx context.Context, line string) (LineState, error) {
	return LineState{}, nil
}

// Lines returns the names of all lines that the journal knows.
func (r *Reader) Lines(ctx context.Context) ([]string, error) { return nil, nil }
