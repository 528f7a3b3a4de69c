package modbus

import (
	"flag"
	"testing"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/relay/modbus/modbustest"
)

var namespaces = flag.Bool("namespace", false, "make a network namespace and block the network in it")

// TestBlockedNetwork is TestBlockedLink with the kernel's network as the link. In a network namespace of its own the
// loopback interface goes down during an unanswered opening, so that not even the reset reaches the board.
func TestBlockedNetwork(t *testing.T) {
	var more []string
	if *long {
		more = []string{"-long"}
	}
	if !loopbacktest.InNamespace(t, *namespaces, more...) {
		return
	}
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})
	blockedLink(t, board, board.Address(), func() { loopbacktest.SetInterface(t, "lo", false) },
		func() { loopbacktest.SetInterface(t, "lo", true) })
}
