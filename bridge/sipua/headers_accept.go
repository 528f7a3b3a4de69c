package sipua

import (
	"strings"

	"github.com/emiago/sipgo/sip"
)

// unacceptable returns the Warning of a 406, or nil if the response may have a session description (RFC 3261 sections
// 8.2.3 and 20.1: without Accept it may). Nobody could answer an INVITE that accepts only other bodies.
func unacceptable(r *sip.Request) sip.Header {
	any := false
	for _, h := range r.GetHeaders("Accept") {
		for kind := range strings.SplitSeq(h.Value(), ",") {
			kind, _, _ = strings.Cut(kind, ";")
			switch strings.ToLower(strings.TrimSpace(kind)) {
			case "":
				continue
			case sdpType, "application/*", "*/*":
				return nil
			}
			any = true
		}
	}
	if !any {
		return nil
	}
	return sip.NewHeader("Warning", `399 clearback "a session description has to be acceptable"`)
}
