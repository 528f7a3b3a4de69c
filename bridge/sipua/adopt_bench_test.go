package sipua

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// BenchmarkSavedCalls measures what saving the calls costs, beside calls that are not saved in the same run: from
// writing the adapter's 200 to reading it at the far end, and from the far end's BYE to reading that to the adapter.
// The folder is in memory (/dev/shm) or in the folder for temporary files.
func BenchmarkSavedCalls(b *testing.B) {
	memory, err := os.MkdirTemp("/dev/shm", "clearback")
	if err != nil {
		b.Skip(err)
	}
	defer os.RemoveAll(memory)
	beds, answers, byes := []*testBed{newTestBed(b)}, [3][]time.Duration{}, [3][]time.Duration{}
	for _, dir := range []string{memory, b.TempDir()} {
		store := runtimestate.Open(filepath.Join(dir, "state"), zap.NewNop())
		defer func() { _ = store.Close(time.Second) }()
		beds = append(beds, newTestBed(b, func(o *Options, _ *times) {
			o.SaveCall = func(call supervision.CallID, state []byte, done func(error)) {
				name := fmt.Sprint("call-", call)
				if state == nil {
					_ = store.Remove(name)
				} else if err := store.Put(name, rawState(state), done); err != nil {
					b.Error(err)
				}
			}
		}))
	}
	for range b.N {
		for i, h := range beds {
			far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			inv := h.adapter.Expect("INVITE")
			start := time.Now()
			h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			ok := h.service.Expect("200")
			answers[i] = append(answers[i], time.Since(start))
			h.adapter.Expect("ACK")
			far.Established(ok).Ack("")
			far.Request("OPTIONS", "") // its answer shows that the ACK has been handled
			h.service.Expect("200")
			time.Sleep(20 * time.Millisecond) // the number of the OPTIONS has been saved
			start = time.Now()
			far.Request("BYE", "")
			m := h.adapter.Expect("BYE")
			byes[i] = append(byes[i], time.Since(start))
			h.adapter.Respond(m, 200, "", "")
			h.service.Expect("200")
			for range 4 { // arrived, answered, cleared, adapter leg cleared
				<-h.machine.seen
			}
		}
	}
	at := func(all []time.Duration, percent int) float64 {
		return float64(all[min(len(all)*percent/100, len(all)-1)].Microseconds())
	}
	for i := range beds {
		slices.Sort(answers[i])
		slices.Sort(byes[i])
	}
	for i, name := range []string{"unsaved", "memory", "disk"} {
		b.ReportMetric(at(answers[i], 99), "200-p99-us-"+name)
		b.ReportMetric(at(byes[i], 50)/at(byes[0], 50), "bye-p50-ratio-"+name)
	}
	b.ReportMetric(at(byes[0], 50), "bye-p50-us")
}

// rawState is a state as the store takes it.
type rawState []byte

func (s rawState) MarshalJSON() ([]byte, error) { return s, nil }
