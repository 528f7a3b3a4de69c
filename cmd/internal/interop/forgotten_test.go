//go:build linux

package interop

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestServiceForgetsTheCall: a 481 to a request within the call, of any method, clears the call as a BYE would (RFC
// 3261 section 12.2.1.2), so the hold is cleared. The adapter gets 491, which does not end its call (SAFETY.md S135).
func TestServiceForgetsTheCall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	forgot := join(request("INVITE"), sendRepeated("SIP/2.0 481 Call/Transaction Does Not Exist\n"+fmt.Sprintf(copied,
		"")+noBody), request("ACK"),
		request("OPTIONS"), reply(481, "Call/Transaction Does Not Exist"))
	refused := join(sendRepeated(inDialog("INVITE", 1)+ownContact+sdp("sendonly", 2)), optional(100), response(491),
		send("ACK [$target] SIP/2.0\n[last_Via:]\nMax-Forwards: 70\n[last_From:]\n[last_To:]\n[last_Call-ID:]\nCSeq: 1 ACK\n"+noBody))
	near := r.adapterWaits(boxOffice, offered(0), answers(), pause(50*time.Millisecond), refused, cleared(0))
	far := r.farCalls(calls(boxOffice), connected(1), forgot)
	near.ok()
	far.ok()
	requireInterval(t, usual, r.board.once(t, 0))
	r.logs("evidence=service-lost")
}

// TestAdapterForgetsTheCall: an adapter that does not know the call holds nothing. Opening its line might cut off
// somebody who is dialling.
func TestAdapterForgetsTheCall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	near := r.adapterWaits(boxOffice, offered(0), answers(), request("BYE"),
		reply(481, "Call/Transaction Does Not Exist"))
	far := r.farCalls(calls(boxOffice), connected(1), clears(2)).ok()
	near.ok()
	eventually(t, 5*time.Second, "the log says why", func() bool {
		return strings.Contains(r.d.Output(),
			"rule=unknown-call")
	})
	require.Empty(t, r.board.openings(t, 0))
	require.Len(t, far.find(false, "SIP/2.0 200", "BYE"), 1)
}
