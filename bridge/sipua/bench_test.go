package sipua

import (
	"slices"
	"testing"
	"time"

	"clearback/bridge/sipua/uatest"
)

// BenchmarkFarEndBye measures the time from writing the far end's BYE to reading the BYE to the adapter. For comparison
// it measures a bare round trip (OPTIONS and its answer) through the same socket in the same run.
func BenchmarkFarEndBye(b *testing.B) {
	h := newTestBed(b)
	var bye, bare []time.Duration
	for range b.N {
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		far.Established(h.service.Expect("200")).Ack("")
		far.Request("OPTIONS", "")
		h.service.Expect("200")
		start := time.Now()
		far.Request("OPTIONS", "")
		h.service.Expect("200")
		bare = append(bare, time.Since(start))
		start = time.Now()
		far.Request("BYE", "")
		m := h.adapter.Expect("BYE")
		bye = append(bye, time.Since(start))
		h.adapter.Respond(m, 200, "", "")
		h.service.Expect("200")
		for range 4 { // arrived, answered, cleared, adapter leg cleared
			<-h.machine.seen
		}
	}
	slices.Sort(bye)
	slices.Sort(bare)
	b.ReportMetric(float64(bye[len(bye)/2].Microseconds()), "bye-p50-us")
	b.ReportMetric(float64(bye[len(bye)*99/100].Microseconds()), "bye-p99-us")
	b.ReportMetric(float64(bare[len(bare)/2].Microseconds()), "bare-p50-us")
	b.ReportMetric(float64(bye[len(bye)/2])/float64(bare[len(bare)/2]), "ratio-p50")
}
