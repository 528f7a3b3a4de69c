package cli

import (
	"errors"
	"io"
	"os"
	"sync"
	"syscall"
	"unicode/utf8"

	"clearback/supervision/sanitize"
)

// errUnread is the error of a write after the reader of the output has gone, as head does once it has enough.
var errUnread = errors.New("nobody reads the output any more")

// safeWriter is a stream that a person reads, perhaps on a terminal. It removes everything from its text that would
// control the terminal or change the direction of writing: see [sanitize.Lines]. Safe for concurrent use.
type safeWriter struct {
	w io.Writer

	mu   sync.Mutex
	half []byte // the first bytes of a character whose rest is still to come
}

// Write implements [io.Writer].
func (p *safeWriter) Write(text []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	all := append(p.half, text...)
	end := len(all)
	for n := 1; n < utf8.UTFMax && n <= len(all); n++ {
		if at := len(all) - n; utf8.RuneStart(all[at]) {
			if !utf8.FullRune(all[at:]) {
				end = at
			}
			break
		}
	}
	p.half = append([]byte(nil), all[end:]...)
	switch _, err := p.w.Write(sanitize.Lines(all[:end])); {
	case errors.Is(err, syscall.EPIPE):
		return 0, errUnread
	case err != nil:
		return 0, err
	}
	return len(text), nil
}

// fileOf returns the file that a stream writes to, nil if there is none.
func fileOf(w io.Writer) *os.File {
	if p, ok := w.(*safeWriter); ok {
		w = p.w
	}
	f, _ := w.(*os.File)
	return f
}
