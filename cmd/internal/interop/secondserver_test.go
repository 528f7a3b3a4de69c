//go:build linux

package interop

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestSecondServer runs `check --live --second` with a telephone that the daemon does not answer. The test plays the
// person, whose call went elsewhere. Afterwards the telephone is restarted, since it registers only once a minute.
func TestSecondServer(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice, roaming: true}}})
	phone := r.startBaresip(boxOffice)
	d := r.talk("check", "--live", "--second", boxOffice)
	d.until("Type yes:")
	d.answer("yes")
	d.until("Did a call get through?") // while the daemon still begins
	eventually(t, 5*time.Second, "the test is under way", func() bool {
		return !r.line(boxOffice).SecondServer.Test.Until.IsZero()
	})
	phone.do("dial", "555-0101")
	eventually(t, 5*time.Second, "the telephone gets no answer", func() bool {
		return r.line(boxOffice).SecondServer.Test.Unanswered > 0
	})
	d.answer("y")
	d.until("waiting")
	phone.Kill()
	r.startPhone("restarted", fmt.Sprintf("<sip:%s@%s>;auth_user=%s;auth_pass=%s;regint=60", boxOffice,
		at(r.adapterPort), boxOffice, password))
	end := d.ended()
	require.Zero(t, end.code, end.out+end.err)
	require.Contains(t, end.out, "PASSED: a call got through while the daemon did not answer")
	require.Contains(t, end.out, "the adapter is back")
	is := r.line(boxOffice).SecondServer
	require.WithinDuration(t, time.Now(), is.Passed, 30*time.Second)
	require.Empty(t, is.TestAgain)
	require.Contains(t, r.cli("check").out, boxOffice+" passed ")
}
