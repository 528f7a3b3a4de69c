package registration

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// RFC 3261 section 10.3 step 7: a REGISTER with the Call-ID and the same CSeq number as the last one changes nothing,
// even if it has another branch and so is no retransmission. A REGISTER with the next number does.
func TestEqualCSeq(t *testing.T) {
	t.Parallel()
	d := newTestRegistrar(t, stageDoor())
	first, other := dial(t, "udp", d.e), dial(t, "udp", d.e) // the branch is the same, the sent-by differs
	require.Equal(t, 200, first.register(first.contact()).Code())
	bound, _ := d.Binding("stage-door")
	other.seq = first.seq - 2 // register sends two requests
	require.Equal(t, 500, other.register(other.contact()).Code())
	require.Equal(t, first.seq, other.seq)
	now, ok := d.Binding("stage-door")
	require.True(t, ok)
	require.Equal(t, bound.Destination, now.Destination)
	require.Equal(t, 200, other.register(other.contact()).Code())
	now, _ = d.Binding("stage-door")
	require.Equal(t, other.Addr(), now.Destination.String())
}
