package endpoint

import (
	"bytes"
	"errors"
	"strconv"
)

// framer splits a TCP stream into messages (RFC 3261 section 18.3). It holds at most one message and the rest of the
// last read.
type framer struct {
	buf   []byte
	seen  int // the end of the head is not before this offset
	whole int // bytes of head and body; 0 until the head is complete
}

var (
	errTooLarge = errors.New("a message is too large")
	errNoLength = errors.New("a message has no valid Content-Length")
)

// write adds bytes that were read from the connection.
func (f *framer) write(b []byte) { f.buf = append(f.buf, b...) }

// partial reports whether an incomplete message has begun.
func (f *framer) partial() bool { return len(f.buf) > 0 && !f.lineEnds() }

// lineEnds reports whether the buffer holds only the beginning of a ping.
func (f *framer) lineEnds() bool { return string(f.buf) == "\r\n" || string(f.buf) == "\r\n\r" }

// next returns the next complete message, or nil if there is none yet. ping reports that instead a ping of two empty
// lines came between messages (RFC 5626 section 3.5.1). The message is valid until the next write. After an error no
// more messages can be found in the stream; buf then holds what was read of the broken message.
func (f *framer) next() (message []byte, ping bool, err error) {
	if f.whole == 0 {
		if f.skip() {
			return nil, true, nil
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
		f.buf = nil // an idle connection keeps no buffer
	}
	return message, false, nil
}

// skip drops line ends before a message. It returns true if they were a ping.
func (f *framer) skip() bool {
	for bytes.HasPrefix(f.buf, []byte("\r\n")) && !f.lineEnds() {
		ping := bytes.HasPrefix(f.buf, []byte("\r\n\r\n"))
		if ping {
			f.buf = f.buf[4:]
			return true
		}
		f.buf = f.buf[2:]
	}
	return false
}

// measure finds the end of the head and sets whole from the length of the body.
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

// contentLength returns the Content-Length. On a stream the header field is mandatory, and may occur only once.
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
		if err != nil || found { // a second one is a way to hide one message inside another
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
