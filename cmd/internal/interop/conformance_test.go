//go:build linux

package interop

import (
	"maps"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/conformance"
)

var tagOf = regexp.MustCompile(`(?i);tag=([^;,\s]+)`)

func group(r *regexp.Regexp, s string) string {
	if m := r.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}

// checkConformance checks everything that the daemon sent to the parties. Each party used one of the daemon's two
// addresses and must not see the other.
func (r *testBed) checkConformance() {
	adapterSide, serviceSide := at(r.adapterPort), at(r.servicePort)
	for _, p := range r.parties {
		if p.behind {
			continue
		}
		t := traceOf(p.messages())
		if p.to == r.adapterPort || slices.Contains(slices.Collect(maps.Values(r.adapters)), p.port) {
			t.Own, t.Foreign = adapterSide, []string{serviceSide, at(r.far)}
		} else {
			t.Own, t.Foreign = serviceSide, []string{adapterSide}
		}
		for _, fault := range t.Faults() {
			r.t.Errorf("%s received from the daemon: %s", p.name, fault)
		}
	}
}

func traceOf(all []message) (t conformance.Trace) {
	for _, m := range all {
		t.Messages = append(t.Messages, conformance.Message{Sent: m.sent, Text: m.text})
	}
	return t
}

// TestTraceConformance: the messages that a party received are checked, those that it sent are not. The rules have
// tests of their own.
func TestTraceConformance(t *testing.T) {
	bad := "BYE sip:a@x.test SIP/2.0\r\nCSeq: 7 INVITE\r\nContent-Length: 3\r\n\r\n"
	require.Empty(t, traceOf([]message{{sent: true, text: bad}}).Faults())
	require.NotEmpty(t, traceOf([]message{{text: bad}}).Faults())
}
