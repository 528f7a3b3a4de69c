package sipua

import (
	"slices"
	"testing"
	"time"
)

// BenchmarkFarEndBye measures the time from writing the far end's BYE to reading the BYE to the adapter. For comparison
// it measures a bare round trip (OPTIONS and its answer) through the same socket in the same run.
func BenchmarkFarEndBye(b *testing.B) {
	h := newTestBed(b)
	var bye, bare []time.Duration
	for range b.N {
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		far.established(h.service.expect("200")).ack("")
		far.request("OPTIONS", "")
		h.service.expect("200")
		start := time.Now()
		far.request("OPTIONS", "")
		h.service.expect("200")
		bare = append(bare, time.Since(start))
		start = time.Now()
		far.request("BYE", "")
		m := h.adapter.expect("BYE")
		bye = append(bye, time.Since(start))
		h.adapter.respond(m, 200, "", "")
		h.service.expect("200")
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
