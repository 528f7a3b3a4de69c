package sipua

import (
	"strings"

	"github.com/emiago/sipgo/sip"
)

// unacceptable returns the Warning of a 406, nil if a session description may come back (RFC 3261 sections 8.2.3 and
// 20.1: without Accept it may). What asks for something else cannot be answered by whoever is called.
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
