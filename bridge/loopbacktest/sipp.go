package loopbacktest

import (
	"context"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"clearback/bridge/programtest"
)

// sippTimeout limits the wait for SIPp to take its port. Only a failing test waits for so long.
const sippTimeout = 10 * time.Second

// SIPp is one run of the program SIPp (Debian package sip-tester).
type SIPp struct {
	t        testing.TB
	scenario string
	at       netip.AddrPort
	tcp      bool
	process  *programtest.Process
}

// StartSIPp starts a scenario of the test's testdata for one call, and returns when SIPp has its port. Everything that
// SIPp listens at belongs to this run: the address, the port for SIP, the port for commands (by default 8888 and up, at
// all addresses) and the ports for media (by default 6000 and up). So does the folder that it runs in. Without -p it
// would try ports from 5060 on. Over TCP two runs can then have the same port, since SIPp sets SO_REUSEADDR, until one
// of them listens and the other fails with 254.
func StartSIPp(t testing.TB, scenario string, args ...string) *SIPp {
	t.Helper()
	path := programtest.Need(t, "sipp", "sip-tester")
	file, err := filepath.Abs(filepath.Join("testdata", scenario))
	if err != nil {
		t.Fatal(err)
	}
	own := Address(t)
	first := Ports(t, own, 8)
	num := func(n uint16) string { return strconv.Itoa(int(n)) }
	s := &SIPp{t: t, scenario: scenario, at: netip.AddrPortFrom(own, first), tcp: slices.Contains(args, "t1")}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	// SIPp takes the port of -mp for media, and the second port after it.
	cmd := exec.CommandContext(ctx, path, append([]string{"-sf", file, "-i", own.String(), "-p", num(first), "-ci",
		own.String(), "-cp", num(first + 1),
		"-mi", own.String(), "-mp", num(first + 4), "-m", "1", "-nostdin", "-timeout", "10", "-timeout_error"},
		args...)...)
	cmd.Dir, cmd.WaitDelay = t.TempDir(), time.Second
	cmd.Env = append(os.Environ(), "TERM=dumb")
	s.process = programtest.Start(t, cmd)
	s.awaitPort()
	return s
}

// At returns the address at which SIPp receives SIP.
func (s *SIPp) At() netip.AddrPort { return s.at }

// awaitPort waits until SIPp has its port. A SIPp that calls may already have ended.
func (s *SIPp) awaitPort() {
	s.t.Helper()
	limit := time.NewTimer(sippTimeout)
	defer limit.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	network := "udp"
	if s.tcp {
		network = "tcp"
	}
	for !Bound(network, s.at) {
		select {
		case <-s.process.Done():
			return
		case <-tick.C:
		case <-limit.C:
			s.t.Fatalf("sipp %s has not taken %v within %v", s.scenario, s.at, sippTimeout)
		}
	}
}

// Await waits until SIPp ends, and fails the test if the run did not follow the scenario.
func (s *SIPp) Await() {
	s.t.Helper()
	if err := s.process.Err(); err != nil {
		text := s.process.Output()
		s.t.Fatalf("sipp %s: %v\n%s", s.scenario, err, text[max(0, len(text)-3000):])
	}
}
