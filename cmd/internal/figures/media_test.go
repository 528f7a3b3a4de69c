//go:build linux

package figures

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// G.711 as it is usually sent: 20 ms a packet (RFC 3551 section 4.5.14), 160 octets after the 12 of RTP.
const (
	packetEvery = 20 * time.Millisecond
	packetSize  = 12 + 160
)

// talk is a helper process that sends and receives the media of all lines, with one socket for all adapters and one for
// all far ends. It spreads the packets of the lines over the 20 ms, as independent calls would.
type talk struct {
	*helper
	at [2]netip.AddrPort // of the adapters, of the far ends
}

func newTalk(t testing.TB, adapters, far netip.Addr) *talk {
	t.Helper()
	m := &talk{helper: startHelper(t, "media", "x", adapters.String(), far.String())}
	_, err := fmt.Sscan(m.line(t), portOf(&m.at[0], adapters), portOf(&m.at[1], far))
	require.NoError(t, err)
	return m
}

type portScan struct {
	to   *netip.AddrPort
	addr netip.Addr
}

func portOf(to *netip.AddrPort, addr netip.Addr) *portScan { return &portScan{to, addr} }

// Scan reads a port number.
func (p *portScan) Scan(s fmt.ScanState, _ rune) error {
	var n uint16
	if _, err := fmt.Fscan(s, &n); err != nil {
		return err
	}
	*p.to = netip.AddrPortFrom(p.addr, n)
	return nil
}

// flow starts the media of a line, towards the daemon's two ports.
func (m *talk) flow(line int, adapterSide, serviceSide netip.AddrPort) {
	fmt.Fprintln(m.Input, "flow", line, adapterSide, serviceSide)
}

// silence stops the media of a line.
func (m *talk) silence(line int) { fmt.Fprintln(m.Input, "silence", line, "-", "-") }

// counts returns the numbers of packets sent and received since the last call.
func (m *talk) counts(t testing.TB) (sent, received int) {
	t.Helper()
	fmt.Fprintln(m.Input, "counts", 0, "-", "-")
	_, err := fmt.Sscan(m.line(t), &sent, &received)
	require.NoError(t, err)
	return sent, received
}

// of returns the packets of one line sent and received since the last call, and the number of packets to any line that
// none of our peers sent.
func (m *talk) of(t testing.TB, line int) (sent, received, strange int) {
	t.Helper()
	fmt.Fprintln(m.Input, "of", line, "-", "-")
	_, err := fmt.Sscan(m.line(t), &sent, &received, &strange)
	require.NoError(t, err)
	return sent, received, strange
}

// gaps returns the longest time without a packet in each direction of each line with media, since the last call.
func (m *talk) gaps(t testing.TB) (longest samples) {
	t.Helper()
	fmt.Fprintln(m.Input, "gaps", 0, "-", "-")
	for s := range strings.FieldsSeq(m.line(t)) {
		d, err := time.ParseDuration(s)
		require.NoError(t, err)
		longest = append(longest, d)
	}
	return longest
}

type speech struct {
	conns    [2]*net.UDPConn
	to       [200][2]netip.AddrPort
	seq      [200]uint16
	sent     int
	received int
	of       [200]struct{ sent, received int }
	heard    [200][2]hearing // by line and side of the sender
	strange  int
	buf      []byte
}

// hearing is what one end has heard of the other.
type hearing struct {
	last    time.Time     // when the last packet came
	longest time.Duration // the longest time without a packet
}

// until ends a time without a packet.
func (h *hearing) until(now time.Time) {
	h.longest, h.last = max(h.longest, now.Sub(h.last)), now
}

func mediaHelper() int {
	s := &speech{buf: make([]byte, 2048)}
	for side := range s.conns {
		c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(os.Args[2+side]),
			0)))
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		_ = c.SetReadBuffer(1 << 20)
		s.conns[side] = c
	}
	fmt.Println(s.conns[0].LocalAddr().(*net.UDPAddr).Port, s.conns[1].LocalAddr().(*net.UDPAddr).Port)
	commands := make(chan []string) // unbuffered: the reader waits for the sender below
	go func() {
		defer close(commands)
		for in := bufio.NewScanner(os.Stdin); in.Scan(); {
			f := make([]string, 4)
			_, _ = fmt.Sscan(in.Text(), &f[0], &f[1], &f[2], &f[3])
			commands <- f
		}
	}()
	every := time.NewTicker(time.Millisecond)
	begin, slot := time.Now(), 0
	for {
		select {
		case f, ok := <-commands:
			if !ok {
				return 0
			}
			s.command(f)
		case <-every.C:
			for ; slot < int(time.Since(begin)/time.Millisecond); slot++ {
				s.send(slot % int(packetEvery/time.Millisecond))
			}
			s.take()
		}
	}
}

func (s *speech) command(f []string) {
	var line int
	_, _ = fmt.Sscan(f[1], &line)
	switch f[0] {
	case "flow":
		s.to[line] = [2]netip.AddrPort{netip.MustParseAddrPort(f[2]), netip.MustParseAddrPort(f[3])}
		s.heard[line] = [2]hearing{{last: time.Now()}, {last: time.Now()}}
	case "silence":
		s.to[line] = [2]netip.AddrPort{}
	case "counts":
		fmt.Println(s.sent, s.received)
		s.sent, s.received = 0, 0
	case "gaps":
		now := time.Now()
		for line := range s.heard {
			for side := range s.heard[line] {
				if h := &s.heard[line][side]; s.to[line][0].IsValid() {
					last := h.last
					h.until(now)
					fmt.Print(h.longest, " ")
					*h = hearing{last: last}
				}
			}
		}
		fmt.Println()
	case "of":
		fmt.Println(s.of[line].sent, s.of[line].received, s.strange)
		s.of[line].sent, s.of[line].received, s.strange = 0, 0, 0
	}
}

// send sends the packets of the lines whose turn it is.
func (s *speech) send(slot int) {
	var p [packetSize]byte
	p[0] = 0x80 // version 2, payload type 0 (RFC 3550 section 5.1)
	for line := slot; line < len(s.to); line += int(packetEvery / time.Millisecond) {
		if !s.to[line][0].IsValid() {
			continue
		}
		s.seq[line]++
		binary.BigEndian.PutUint16(p[2:], s.seq[line])
		binary.BigEndian.PutUint32(p[4:], uint32(s.seq[line])*160)
		for side, c := range s.conns {
			binary.BigEndian.PutUint32(p[8:], uint32(2*line+side+1))
			if _, err := c.WriteToUDPAddrPort(p[:], s.to[line][side]); err == nil {
				s.sent++
				s.of[line].sent++
			}
		}
	}
}

// take counts the packets that have arrived.
func (s *speech) take() {
	for _, c := range s.conns {
		raw, err := c.SyscallConn()
		if err != nil {
			panic(err)
		}
		_ = raw.Read(func(fd uintptr) bool {
			for {
				n, _, err := unix.Recvfrom(int(fd), s.buf, syscall.MSG_DONTWAIT)
				if err == nil {
					s.received++
					s.tell(s.buf[:n])
				} else if !errors.Is(err, unix.EINTR) {
					return true
				}
			}
		})
	}
}

// tell counts a packet for the line that its source (SSRC) names. See send.
func (s *speech) tell(p []byte) {
	if len(p) != packetSize {
		s.strange++
		return
	}
	sender := int(binary.BigEndian.Uint32(p[8:])) - 1
	if line := sender / 2; line < len(s.of) {
		s.of[line].received++
		s.heard[line][sender%2].until(time.Now())
		return
	}
	s.strange++
}
