package sipua

import (
	"bufio"
	"bytes"
	"mime"
	"net/textproto"
	"strings"

	"github.com/emiago/sipgo/sip"
)

// maxParts is how many parts of a body are examined. Our own number: an emergency call has a session description, a
// location, and perhaps data about the caller.
const maxParts = 16

// sdpPart returns where the session description is in a multipart body (RFC 2046 section 5.1.1). An emergency call that
// conveys its location has such a body (RFC 6442 section 4.1). ok is false if the body has no session description.
func sdpPart(m sip.Message) (from, to int, ok bool) {
	_, params, err := mime.ParseMediaType(first(m, "Content-Type"))
	if err != nil || params["boundary"] == "" {
		return 0, 0, false
	}
	body, delimiter := m.Body(), []byte("--"+params["boundary"])
	end := append([]byte("\r\n"), delimiter...)
	from = bytes.Index(body, delimiter)
	for range maxParts {
		if from < 0 {
			return 0, 0, false
		}
		head := body[from+len(delimiter):]
		blank, size := bytes.Index(head, []byte("\r\n\r\n")), bytes.Index(head, end)
		if blank < 0 || size < blank {
			return 0, 0, false // the last delimiter, or not a part
		}
		line := bytes.Index(head, []byte("\r\n")) + 2 // skips the rest of the delimiter line
		h, err := textproto.NewReader(bufio.NewReader(bytes.NewReader(head[line : blank+4]))).ReadMIMEHeader()
		if err != nil {
			return 0, 0, false
		}
		begin := from + len(delimiter) + blank + 4
		next := from + len(delimiter) + size
		if kind, _, _ := strings.Cut(h.Get("Content-Type"), ";"); strings.EqualFold(strings.TrimSpace(kind), sdpType) {
			return begin, max(begin, next), true
		}
		from = next + len("\r\n")
	}
	return 0, 0, false
}
