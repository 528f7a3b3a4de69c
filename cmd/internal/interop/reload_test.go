//go:build linux

package interop

import (
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// edit replaces a text in the configuration file.
func (r *testBed) edit(old, new string) {
	r.t.Helper()
	text, err := os.ReadFile(r.config())
	require.NoError(r.t, err)
	require.Equal(r.t, 1, strings.Count(string(text), old), old)
	require.NoError(r.t, os.WriteFile(r.config(), []byte(strings.Replace(string(text), old, new, 1)), 0o600))
}

// SAFETY S124, S126: while lines are added, changed and removed beside a call, no packet of its sound is lost in either
// direction. The removal of a line of the same relay board waits for the call, and the call ends with its opening.
func TestReloadBesideACall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, quiet: true, farHost: 4,
		lines: []lineSetup{{name: boxOffice, host: 2}, {name: stageDoor, coil: 1, host: 3}}})
	near, far := r.peer("near", 2, r.adapters[boxOffice], r.adapterPort), r.peer("far", 4, r.far, r.servicePort)
	call := r.soundCall(near, far, boxOffice, r.voice(2, 2), r.voice(4, 4))
	require.True(t, call.far.hears(call.near, call.adapterSide, 5, maxWait))
	require.True(t, call.near.hears(call.far, call.farSide, 5, maxWait))

	arrived := func() bool {
		return call.far.of(call.near) == int(call.near.seq) && call.near.of(call.far) == int(call.far.seq)
	}
	require.True(t, within(maxWait, arrived), "no packet is lost before the reloads either")
	stop := make(chan struct{}) // closed after the last reload
	var talking sync.WaitGroup
	talking.Go(func() {
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for ; ; <-tick.C {
			select {
			case <-stop:
				return
			default:
			}
			call.near.says(1, call.adapterSide)
			call.far.says(1, call.farSide)
		}
	})
	workshop := "  - name: workshop\n    adapter: {user: workshop, contact: \"sip:workshop@127.0.0.1\"}\n" +
		"    service: {registrar: \"sip:127.0.0.1\", user: workshop, register: false}\n    contact: {driver: none}\n"
	text, err := os.ReadFile(r.config())
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(r.config(), append(text, workshop...), 0o600))
	require.Contains(t, r.mustRun("lines"), "was edited and is not loaded")
	require.Contains(t, r.mustRun("reload"), "added: workshop\nkept: box-office, stage-door, green-room\n")
	r.edit("contact: {driver: none}", "contact: {driver: none}\n    location: the yard\n    calls: 2")
	require.Contains(t, r.mustRun("reload"), "changed: workshop\n")
	require.Contains(t, r.mustRun("lines"), "workshop: location: the yard")
	r.edit("country: GB", "country: UK")
	refused := r.cli("reload")
	require.Equal(t, 2, refused.code)
	require.Contains(t, refused.err, r.config()+":1:10: country")
	r.edit("country: UK", "country: GB")
	r.edit(", unit: 1, coil: 1,", ", unit: 1, coil: 2,")
	require.Contains(t, r.mustRun("reload"), "stage-door: the change waits: box-office: call ")
	close(stop)
	talking.Wait()
	require.True(t, within(maxWait, arrived), "near %d of %d, far %d of %d", call.near.of(call.far), call.far.seq,
		call.far.of(call.near), call.near.seq)
	require.Greater(t, call.far.seq, uint16(15), "both ends talked during the reloads")

	call.farClears()
	requireInterval(t, usual, r.board.once(t, 0))
	eventually(t, maxWait, "the change is made", func() bool {
		return !strings.Contains(r.mustRun("lines"), "the change waits")
	})
}
