//go:build linux

package figures

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"

	"github.com/emiago/sipgo"
	"github.com/emiago/sipgo/sip"
)

// proxyHelper is a proxy made of the SIP library's own user agent, server and client, as the library's users write one.
// It keeps transactions, records its route and forwards. It has no dialogs, authenticates nobody and writes no log.
//
// Arguments: its own address, and the destination of calls.
func proxyHelper() int {
	go func() {
		_, _ = os.Stdin.Read(make([]byte, 1))
		os.Exit(0)
	}()
	if err := runProxy(os.Args[2], os.Args[3]); err != nil {
		fmt.Fprintln(os.Stderr, "proxy:", err)
	}
	return 1
}

type proxy struct {
	cl   *sipgo.Client
	next string
}

func runProxy(addr, next string) error {
	slog.SetDefault(slog.New(slog.DiscardHandler))
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(addr), 0)))
	if err != nil {
		return err
	}
	_ = c.SetReadBuffer(1 << 20)
	ua, err := sipgo.NewUA()
	if err != nil {
		return err
	}
	srv, err := sipgo.NewServer(ua)
	if err != nil {
		return err
	}
	at := c.LocalAddr().String()
	cl, err := sipgo.NewClient(ua, sipgo.WithClientHostname(addr), sipgo.WithClientConnectionAddr(at))
	if err != nil {
		return err
	}
	p := &proxy{cl: cl, next: next}
	srv.OnInvite(p.forward)
	srv.OnBye(p.forward)
	srv.OnAck(func(req *sip.Request, _ sip.ServerTransaction) {
		p.aim(req)
		_ = cl.WriteRequest(req, sipgo.ClientRequestAddVia)
	})
	served := make(chan error, 1) // Serve returns once
	go func() { served <- srv.ServeUDP(c) }()
	for { // until the library has opened the socket
		if conn, err := ua.TransportLayer().GetConnection("udp", at); err == nil && conn != nil {
			break
		}
	}
	fmt.Println(c.LocalAddr().(*net.UDPAddr).Port)
	return <-served
}

// aim removes our own Route and sets the destination: for a new call p.next, for other requests the Request-URI.
func (p *proxy) aim(req *sip.Request) {
	req.RemoveHeader("Route")
	to := fmt.Sprintf("%s:%d", req.Recipient.Host, req.Recipient.Port)
	if tag, _ := req.To().Params.Get("tag"); tag == "" {
		to = p.next
	}
	req.SetDestination(to)
}

func (p *proxy) forward(req *sip.Request, tx sip.ServerTransaction) {
	out := req.Clone()
	p.aim(out)
	add := []sipgo.ClientRequestOption{sipgo.ClientRequestAddVia, sipgo.ClientRequestDecreaseMaxForward}
	if req.IsInvite() {
		add = append(add, sipgo.ClientRequestAddRecordRoute)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	client, err := p.cl.TransactionRequest(ctx, out, add...)
	if err != nil {
		_ = tx.Respond(sip.NewResponseFromRequest(req, 503, "Service Unavailable", nil))
		return
	}
	defer client.Terminate()
	for {
		select {
		case res := <-client.Responses():
			back := res.Clone()
			back.RemoveHeader("Via")
			back.SetDestination(req.Source())
			if back.StatusCode == 100 {
				continue // the library sends a 100 of its own
			}
			if err := tx.Respond(back); err != nil || back.StatusCode >= 200 {
				return
			}
		case <-client.Done():
			return
		case <-tx.Done():
			return
		}
	}
}
