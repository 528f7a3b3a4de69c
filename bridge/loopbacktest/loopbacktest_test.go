package loopbacktest

import (
	"net"
	"net/netip"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
)

// A network belongs to one taker only, in this process and among processes.
func TestOwn(t *testing.T) {
	n := Own(t)
	if word := os.Getenv("CLEARBACK_TAKEN"); word != "" {
		if l, err := net.Listen("unix", word); err == nil {
			l.Close()
			t.Fatal("another process has it too")
		}
		return
	}
	name := n.name.Addr().String()
	if l, err := net.Listen("unix", name); err == nil {
		l.Close()
		t.Fatal("it can be taken twice")
	}
	other := exec.Command(os.Args[0], "-test.run=^TestOwn$")
	other.Env = append(os.Environ(), "CLEARBACK_TAKEN="+name)
	if out, err := other.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	taken := map[netip.Addr]bool{n.Address(1): true}
	for range 20 {
		a := Address(t)
		if taken[a] || !a.IsLoopback() {
			t.Fatalf("%v is not for this one alone", a)
		}
		taken[a] = true
	}
	n.Close()
	l, err := net.Listen("unix", name)
	if err != nil {
		t.Fatalf("it was not given back: %v", err)
	}
	l.Close()
}

// A network in which another program has left a socket is not taken.
func TestUsed(t *testing.T) {
	n := Own(t)
	if n.inUse() {
		t.Fatal("an unused network is reported as in use")
	}
	for _, network := range []string{"udp", "tcp"} {
		c := bind(t, network, netip.AddrPortFrom(n.Address(7), 0))
		if !n.inUse() {
			t.Errorf("a socket of %s is not seen", network)
		}
		c()
	}
}

func TestPorts(t *testing.T) {
	at := Address(t)
	first := Ports(t, at, 8)
	for range 100_000 {
		if p := pick(40); p%2 != 0 || p < 10000 || p+39 > 29999 {
			t.Fatalf("port %d", p)
		}
	}
	for _, network := range []string{"udp", "tcp"} {
		place := netip.AddrPortFrom(at, first+5)
		if Bound(network, place) || !Free(at, first, 8) {
			t.Fatal("a free port is reported as bound")
		}
		c := bind(t, network, place)
		if !Bound(network, place) || Free(at, first, 8) || !Free(at, first+6, 2) {
			t.Errorf("%v of %s is taken, and that is not seen", place, network)
		}
		c()
	}
}

func bind(t *testing.T, network string, at netip.AddrPort) (end func()) {
	t.Helper()
	if network == "udp" {
		c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(at))
		if err != nil {
			t.Fatal(err)
		}
		return func() { c.Close() }
	}
	l, err := net.ListenTCP("tcp4", net.TCPAddrFromAddrPort(at))
	if err != nil {
		t.Fatal(err)
	}
	return func() { l.Close() }
}

func TestRefusing(t *testing.T) {
	at := Refusing(t)
	if c, err := net.Dial("tcp4", at.String()); err == nil {
		c.Close()
		t.Fatal("nothing should listen there")
	} else if !strings.Contains(err.Error(), syscall.ECONNREFUSED.Error()) {
		t.Fatal(err)
	}
	if l, err := net.Listen("tcp4", at.String()); err == nil {
		l.Close()
		t.Fatal("the port can be taken")
	}
}
