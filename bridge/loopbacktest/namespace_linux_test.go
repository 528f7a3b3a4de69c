package loopbacktest

import (
	"flag"
	"net"
	"testing"
)

var namespaces = flag.Bool("namespace", false, "make a network namespace and change its addresses")

// In a namespace of its own a test can have an address that comes and goes.
func TestInNamespace(t *testing.T) {
	if !InNamespace(t, *namespaces) {
		return
	}
	bound := func() bool {
		c, err := net.ListenPacket("udp4", "192.0.2.10:5060")
		if err == nil {
			c.Close()
		}
		return err == nil
	}
	for range 2 {
		if bound() {
			t.Fatal("the address is there")
		}
		SetAddress(t, "lo:1", [4]byte{192, 0, 2, 10})
		if !bound() {
			t.Fatal("the address is not there")
		}
		SetInterface(t, "lo:1", false)
	}
}
