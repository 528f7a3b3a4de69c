package callrecord

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The explanation names three lengths: the requested one, the one that the board confirmed, and the one measured here.
// If the board lost its connection during the opening, the time line still gives the third.
func TestOpenLengthsInExplain(t *testing.T) {
	for _, c := range []struct{ closing, want string }{
		{"1.846s loop-closed seq=1 took=800ms",
			"Requested: 800 ms; confirmed by the board: 800 ms; measured here: 346 ms."},
		{"1.846s loop-closed seq=1", "Requested: 800 ms; the board confirmed no length; measured here: 346 ms."},
		{"1.6s loop-unknown seq=1 failure=no-answer\n1.846s loop-closed",
			"Requested: 800 ms; the board confirmed no length; measured here: 346 ms."},
		{"1.6s loop-unknown seq=1 failure=no-answer",
			"Requested: 800 ms; the board confirmed no length; not measured here."},
	} {
		entries := entriesOf(t, `0s call-arrived call=1
			0s offer-call call=1
			0.1s call-answered call=1
			1s far-end-cleared call=1 evidence=bye
			1s clear-adapter-leg call=1
			1.01s adapter-leg-cleared call=1 answer=confirmed
			1.01s open-loop call=1 seq=1 interval=800ms not-after=+74.5s
			1.5s loop-opened seq=1
			`+c.closing+`
			3s report interrupted call=1 seq=1 interval=800ms hook=unknown`)
		accounts, _ := feed(entries)
		require.Len(t, accounts, 1)
		text := Explain(accounts[0], entries, 100)
		require.Contains(t, strings.Join(strings.Fields(text), " "), "The loop was opened. "+c.want)
		require.NotContains(t, text, "74.5")
	}
}
