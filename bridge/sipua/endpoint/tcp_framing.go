package endpoint

import (
	"bytes"
	"errors"
	"strconv"
)

// framer cuts a TCP stream into messages (RFC 3261 section 18.3) and holds at most one of them, and what one read
// brought beyond it.
type framer struct {
	buf   []byte
	seen  int // no end of the head before this
	whole int // bytes of head and body, once the head is there
}

var (
	errTooLarge = errors.New("a message is too large")
	errNoLength = errors.New("a message does not say its length, or not clearly")
)

// write adds bytes that were read.
func (f *framer) write(b []byte) { f.buf = append(f.buf, b...) }

// partial reports whether a message has begun and is not whole.
func (f *framer) partial() bool { return len(f.buf) > 0 && !f.lineEnds() }

// lineEnds reports whether there is nothing but the beginning of a ping.
func (f *framer) lineEnds() bool { return string(f.buf) == "\r\n" || string(f.buf) == "\r\n\r" }

// next returns the next whole message, nil if there is none yet; ping tells instead that two empty lines came between
// messages (RFC 5626 section 3.5.1). The message is good until the next write. After an error nothing can be found in
// the stream any more; buf is what was read of the message that broke it.
func (f *framer) next() (message []byte, ping bool, err error) {
	if f.whole == 0 {
		if ping = f.skip(); ping || len(f.buf) == 0 || f.lineEnds() {
			return nil, ping, nil
		}
		if err := f.measure(); err != nil || f.whole == 0 {
			return nil, false, err
		}
	}
	if len(f.buf) < f.whole {
		return nil, false, nil
	}
	message, f.buf = f.buf[:f.whole:f.whole], f.buf[f.whole:]
	f.seen, f.whole = 0, 0
	if len(f.buf) == 0 {
		f.buf = nil // a quiet connection keeps nothing
	}
	return message, false, nil
}

// skip drops line ends before a message; true if they were a ping.
func (f *framer) skip() bool {
	for bytes.HasPrefix(f.buf, []byte("\r\n")) && !f.lineEnds() {
		ping := bytes.HasPrefix(f.buf, []byte("\r\n\r\n"))
		if ping {
			f.buf = f.buf[4:]
			return true
		}
		f.buf, f.seen = f.buf[2:], 0
	}
	return false
}

// measure looks for the end of the head and reads the length of the body.
func (f *framer) measure() error {
	at := bytes.Index(f.buf[f.seen:], []byte("\r\n\r\n"))
	if at < 0 {
		f.seen = max(0, len(f.buf)-3)
		if len(f.buf) > maxHead {
			return errTooLarge
		}
		return nil
	}
	head := f.seen + at + 4
	if head > maxHead {
		return errTooLarge
	}
	n, err := contentLength(f.buf[:head])
	switch {
	case err != nil:
		return err
	case n > maxBody:
		return errTooLarge
	}
	f.whole = head + n
	return nil
}

// contentLength reads the length of the body; on a stream there must be one, and only one.
func contentLength(head []byte) (int, error) {
	var length uint64
	found := false
	for line := range bytes.SplitSeq(head, []byte("\r\n")) {
		name, value, ok := bytes.Cut(line, []byte(":"))
		if !ok || blank(line[0]) {
			continue
		}
		name = bytes.TrimSpace(name)
		if !bytes.EqualFold(name, []byte("content-length")) && !bytes.EqualFold(name, []byte("l")) {
			continue
		}
		n, err := strconv.ParseUint(string(bytes.TrimSpace(value)), 10, 31)
		if err != nil || found { // two of them are how one message is hidden in another
			return 0, errNoLength
		}
		length, found = n, true
	}
	if !found {
		return 0, errNoLength
	}
	return int(length), nil
}

func blank(c byte) bool { return c == ' ' || c == '\t' }
