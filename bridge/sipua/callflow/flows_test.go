package callflow

import (
	"flag"
	"net/netip"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/goleak"

	"clearback/bridge/media"
)

// TestMain shortens the transaction timers: T1 is 25 ms, so 64*T1 is 1.6 s (RFC 3261 section 17.1). Under the race
// detector they are longer. Flows mostly wait, so many run in parallel.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "48"); err != nil {
		panic(err)
	}
	sip.SetTimers(slow*25*time.Millisecond, slow*200*time.Millisecond, slow*250*time.Millisecond)
	goleak.VerifyTestMain(m)
}

// scripts reads all files in testdata. Files whose name begins with "parts" come first.
func scripts(t *testing.T) []*flow {
	t.Helper()
	var flows []*flow
	parts := map[string][]step{}
	for _, pattern := range []string{"parts*.flow", "[^p]*.flow"} {
		names, err := filepath.Glob(filepath.Join("testdata", pattern))
		if err != nil || len(names) == 0 {
			t.Fatalf("no %s in testdata: %v", pattern, err)
		}
		for _, name := range names {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			more, faults := parse(name, string(text), parts)
			for _, f := range faults {
				t.Error(f)
			}
			flows = append(flows, more...)
		}
	}
	if t.Failed() {
		t.FailNow()
	}
	return flows
}

func TestFlows(t *testing.T) {
	t.Parallel()
	flows := scripts(t)
	relay := newRelay(t, 20000)
	for _, f := range flows {
		t.Run(f.title, func(t *testing.T) {
			t.Parallel()
			s := newTestBed(t, f, relay)
			t.Cleanup(s.end)
			s.play()
		})
	}
}

func newRelay(t *testing.T, low uint16) *media.Relay {
	t.Helper()
	local := netip.MustParseAddr("127.0.0.1")
	relay, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: low, PortHigh: low + 4999})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := relay.Close(); err != nil {
			t.Error(err)
		}
	})
	return relay
}
