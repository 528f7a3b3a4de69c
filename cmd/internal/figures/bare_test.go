//go:build linux

package figures

import (
	"encoding/binary"
	"fmt"
	"net"
	"net/netip"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// barePath is a helper process that makes the same round trips as the daemon and does nothing else. It receives a BYE
// and answers it, sends a BYE to the adapter, and sends a command to the board. It keeps no state, checks nothing and
// writes no log.
type barePath struct {
	*helper
	at netip.AddrPort // where it receives BYEs
}

func newBarePath(t testing.TB, service, adapterSide netip.Addr, near, board netip.AddrPort, coil int) *barePath {
	t.Helper()
	b := &barePath{helper: startHelper(t, "bare", "x", service.String(), adapterSide.String(), near.String(),
		board.String(), fmt.Sprint(coil))}
	_, err := fmt.Sscan(b.line(t), portOf(&b.at, service))
	require.NoError(t, err)
	return b
}

func bareHelper() int {
	go func() {
		_, _ = os.Stdin.Read(make([]byte, 1))
		os.Exit(0)
	}()
	if err := runBare(os.Args[2:]); err != nil {
		fmt.Fprintln(os.Stderr, "bare path:", err)
	}
	return 1
}

func runBare(args []string) error {
	listen := func(addr string) (*net.UDPConn, error) {
		return net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(addr), 0)))
	}
	service, err := listen(args[0])
	if err != nil {
		return err
	}
	adapter, err := listen(args[1])
	if err != nil {
		return err
	}
	near := netip.MustParseAddrPort(args[2])
	board, err := net.Dial("tcp4", args[3])
	if err != nil {
		return err
	}
	var coil int
	if _, err := fmt.Sscan(args[4], &coil); err != nil {
		return err
	}
	fmt.Println(service.LocalAddr().(*net.UDPAddr).Port)
	buf := make([]byte, 4096)
	for n := 1; ; n++ {
		size, from, err := service.ReadFromUDPAddrPort(buf)
		if err != nil {
			return err
		}
		if _, err := service.WriteToUDPAddrPort(response(buf[:size], "200 OK", "", "", ""), from); err != nil {
			return err
		}
		here := adapter.LocalAddr().String()
		bye := fmt.Sprintf("BYE sip:near@%s SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bKbare%d\r\nMax-Forwards: 70\r\nFrom: <sip:bare@%s>;tag=b\r\n"+
			"To: <sip:near@%s>;tag=n\r\nCall-ID: bare-%d\r\nCSeq: 2 BYE\r\nContent-Length: 0\r\n\r\n", near, here, n,
			here, near, n)
		if _, err := adapter.WriteToUDPAddrPort([]byte(bye), near); err != nil {
			return err
		}
		if _, _, err := adapter.ReadFromUDPAddrPort(buf); err != nil {
			return err
		}
		// The close is not measured. It only makes the next opening possible.
		for _, level := range []uint16{0xff00, 0} {
			q := []byte{byte(n >> 8), byte(n), 0, 0, 0, 6, 1, 5, byte(coil >> 8), byte(coil), 0, 0}
			binary.BigEndian.PutUint16(q[10:], level)
			if _, err := board.Write(q); err != nil {
				return err
			}
			if _, err := board.Read(buf); err != nil {
				return err
			}
		}
	}
}
