//go:build linux

package interop

import (
	"fmt"
	"io"
	"net"
	"os"
)

// bareVariable makes this test binary a bare path instead: "ADAPTER-PORT BOARD-PORT".
const bareVariable = "CLEARBACK_BARE_PATH"

// barePath is the yardstick for the way from a BYE to an opening: the same hops over the same sockets, and nothing in between. A
// datagram that comes goes on to the adapter; when the adapter has answered, a Modbus frame goes to the board and its answer is read.
func barePath(where string) {
	var adapter, board int
	if _, err := fmt.Sscan(where, &adapter, &board); err != nil {
		panic(err)
	}
	loopback := net.IPv4(127, 0, 0, 1)
	far, err := net.ListenUDP("udp4", &net.UDPAddr{IP: loopback})
	if err != nil {
		panic(err)
	}
	near, err := net.DialUDP("udp4", nil, &net.UDPAddr{IP: loopback, Port: adapter})
	if err != nil {
		panic(err)
	}
	relay, err := net.DialTCP("tcp4", nil, &net.TCPAddr{IP: loopback, Port: board})
	if err != nil {
		panic(err)
	}
	fmt.Fprintln(os.Stdout, far.LocalAddr().(*net.UDPAddr).Port)
	buf := make([]byte, 2000)
	for {
		n, from, err := far.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		if _, err := far.WriteToUDPAddrPort(buf[:n], from); err != nil { // as the BYE is answered
			return
		}
		if _, err := near.Write(buf[:n]); err != nil {
			return
		}
		if _, err := near.Read(buf); err != nil {
			return
		}
		if _, err := relay.Write([]byte{0, 1, 0, 0, 0, 6, bareUnit, 5, 0, 0, 0xff, 0}); err != nil {
			return
		}
		if _, err := io.ReadFull(relay, buf[:12]); err != nil {
			return
		}
	}
}
