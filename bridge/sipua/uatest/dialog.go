package uatest

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
)

// Dialog is a dialog as a peer sees it.
type Dialog struct {
	P             *Peer
	CallID        string
	Local, Remote string // From and To of our requests
	Target        string
	To            netip.AddrPort
	Seq           int
	Invite        []string // the INVITE, for CANCEL
	Routes        []string
}

// Called returns the dialog of a received INVITE that was answered with tag.
func (p *Peer) Called(inv Message, tag string) *Dialog {
	return &Dialog{P: p, CallID: inv.Get("Call-ID"), Local: inv.Get("To") + ";tag=" + tag, Remote: inv.Get("From"),
		Target: URI(inv.Get("Contact")), To: inv.From, Routes: inv.All("Record-Route")}
}

// Call sends an INVITE. from is the address of the From, without a tag.
func (p *Peer) Call(target, from string, to netip.AddrPort, sdp string, extra ...string) *Dialog {
	p.T.Helper()
	id := p.NewID()
	d := &Dialog{P: p, CallID: id, Local: from + ";tag=" + id, Remote: "<" + target + ">", Target: target, To: to}
	d.Request("INVITE", sdp, extra...)
	return d
}

// Request sends a request with the next CSeq number.
func (d *Dialog) Request(method, body string, extra ...string) {
	d.P.T.Helper()
	d.Seq++
	d.RequestSeq(method, d.Seq, body, extra...)
}

// RequestSeq sends a request with that CSeq number.
func (d *Dialog) RequestSeq(method string, cseq int, body string, extra ...string) {
	d.P.T.Helper()
	via := d.P.Via()
	lines := []string{method + " " + d.Target + " SIP/2.0", via}
	for _, r := range d.Routes {
		lines = append(lines, "Route: "+r)
	}
	lines = append(lines, "From: "+d.Local, "To: "+d.Remote, "Call-ID: "+d.CallID, fmt.Sprintf("CSeq: %d %s", cseq, method),
		"Max-Forwards: 70", d.P.Contact())
	lines = append(append(lines, extra...), body)
	if method == "INVITE" {
		d.Invite = lines
	}
	d.P.Send(d.To, lines...)
}

// Cancel cancels the last INVITE.
func (d *Dialog) Cancel() {
	d.P.T.Helper()
	lines := []string{strings.Replace(d.Invite[0], "INVITE", "CANCEL", 1)}
	for _, h := range d.Invite[1 : len(d.Invite)-1] {
		if strings.HasPrefix(h, "CSeq:") {
			h = strings.Replace(h, "INVITE", "CANCEL", 1)
		}
		if name, _, _ := strings.Cut(h, ":"); slices.Contains([]string{"Via", "From", "To", "Call-ID", "CSeq",
			"Max-Forwards"}, name) {
			lines = append(lines, h)
		}
	}
	d.P.Send(d.To, append(lines, "")...)
}

// Established takes tag and target from a response.
func (d *Dialog) Established(res Message) *Dialog {
	d.Remote = res.Get("To")
	d.Target = URI(res.Get("Contact"))
	d.Routes = res.All("Record-Route")
	slices.Reverse(d.Routes)
	return d
}

// Ack acknowledges the 200 to the last INVITE.
func (d *Dialog) Ack(body string) {
	d.P.T.Helper()
	n := 0
	for _, h := range d.Invite {
		if strings.HasPrefix(h, "CSeq:") {
			fmt.Sscanf(h, "CSeq: %d", &n)
		}
	}
	d.RequestSeq("ACK", n, body)
}

// AckFailure acknowledges a failure, in the INVITE's own transaction.
func (d *Dialog) AckFailure(res Message) {
	d.P.T.Helper()
	n, _ := res.CSeq()
	d.P.Send(d.To, "ACK "+strings.Fields(d.Invite[0])[1]+" SIP/2.0", d.Invite[1], "From: "+d.Local,
		"To: "+res.Get("To"),
		"Call-ID: "+d.CallID, fmt.Sprintf("CSeq: %d ACK", n), "Max-Forwards: 70", "")
}

// Early returns the dialog that a provisional response creates.
func (d *Dialog) Early(res Message) *Dialog {
	one := *d
	return one.Established(res)
}
