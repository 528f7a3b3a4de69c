//go:build linux

package interop

import "fmt"

// startPort starts an adapter of many calls, played by SIPp. It answers each call at once, holds it, receives its BYE,
// and answers OPTIONS by the hook: 200 before its first call, 486 ever after. A line behaves like this if no
// interruption clears its hold, or if its handset was left off hook.
//
// clearing replaces the step that answers the BYE at once.
func (r *testBed) startPort(line, userAgent string, clearing ...step) *party {
	r.t.Helper()
	if clearing == nil {
		clearing = []step{cleared(0)}
	}
	asked := func(code int, reason string) step {
		return send(fmt.Sprintf("SIP/2.0 %d %s\n", code, reason) + fmt.Sprintf(copied, ownTag) + "User-Agent: " +
			userAgent + "\n" + noBody)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.beginMany("port-"+line, line, r.adapters[line], 0, 1000,
		`<Global variables="up"/>`+"\n"+`<recv request="OPTIONS" optional="true" next="asked"/>`+"\n",
		step(`<recv request="INVITE"><action>`+learnTarget+`</action></recv>`+"\n"),
		reply(100, "Trying"), replyTagged(180, "Ringing"),
		`<nop><action><assign assign_to="junk" value="1"/><test assign_to="up" variable="junk" compare="equal" value="1"/></action></nop>`+"\n",
		answers(), holds(1), join(clearing...), `<nop next="end"/>`+"\n",
		`<label id="asked"/>`+"\n"+`<nop test="up" next="busy"/>`+"\n", asked(200, "OK"), `<nop next="end"/>`+"\n",
		`<label id="busy"/>`+"\n", asked(486, "Busy Here"),
		`<label id="end"/>`+"\n<nop/>\n")
}
