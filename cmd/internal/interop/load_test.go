//go:build linux

package interop

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// load is a hundred far ends, adapters and their media, and a board, in one process and on few sockets: it must cost less than what it measures.
type load struct {
	t       testing.TB
	r       *rig
	lines   []*loadLine
	far     *net.UDPConn
	near    *net.UDPConn
	farRTP  *net.UDPConn
	nearRTP *net.UDPConn
	service *net.UDPAddr
	board   *loadBoard
	end     chan struct{}
	all     sync.WaitGroup
}

// loadLine is one line's call, one after another.
type loadLine struct {
	name string
	coil int
	seq  int // of calls

	farTo, nearTo atomic.Uint32 // the daemon's ports for media, 0: none

	mu        sync.Mutex
	callID    string
	to        string
	answered  chan string // the 200 to our INVITE
	byeAnswer chan struct{}
}

var (
	mediaPort = regexp.MustCompile(`(?m)^m=audio (\d+)`)
	toUser    = regexp.MustCompile(`^[A-Z]+ sip:([^@]+)@`)
)

func udp(t testing.TB, port int) *net.UDPConn {
	t.Helper()
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port})
	require.NoError(t, err)
	require.NoError(t, c.SetReadBuffer(1<<20))
	return c
}

// newLoad starts a daemon with n lines and brings up a call on each if talk is set.
func newLoad(t testing.TB, n int) *load {
	t.Helper()
	l := &load{t: t, board: newLoadBoard(t, n), end: make(chan struct{})}
	var lines []lineSetup
	for i := range n {
		name := fmt.Sprintf("line-%03d", i)
		lines = append(lines, lineSetup{name: name, coil: i, interval: loadInterval, policy: ", guard_time: 100ms, onhook_recognition: 300ms"})
		l.lines = append(l.lines, &loadLine{name: name, coil: i})
	}
	l.r = newRig(t, setup{lines: lines, relayed: 8 * n, boardPort: l.board.port, logLevel: "info"})
	l.far, l.farRTP, l.nearRTP = udp(t, l.r.far), udp(t, 0), udp(t, 0)
	l.service = &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: l.r.servicePort}
	ports := map[int]bool{}
	for _, p := range l.r.adapters {
		ports[p] = true
	}
	conns := []*net.UDPConn{l.far, l.farRTP, l.nearRTP}
	for p := range ports {
		c := udp(t, p)
		conns = append(conns, c)
		l.all.Go(func() { l.beNear(c) })
	}
	l.all.Go(l.beFar)
	l.all.Go(func() { drain(l.farRTP) })
	l.all.Go(func() { drain(l.nearRTP) })
	t.Cleanup(func() {
		close(l.end)
		for _, c := range conns {
			c.Close()
		}
		l.all.Wait()
	})
	return l
}

const loadInterval = 300 * time.Millisecond

func drain(c *net.UDPConn) {
	buf := make([]byte, 2000)
	for {
		if _, _, err := c.ReadFromUDPAddrPort(buf); err != nil {
			return
		}
	}
}

func head(text, name string) string { return message{text: text}.header(name) }

// beNear answers for every adapter.
func (l *load) beNear(c *net.UDPConn) {
	buf := make([]byte, 4000)
	for {
		n, from, err := c.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		text := string(buf[:n])
		copied := func(tag string) string {
			return "SIP/2.0 200 OK\r\nVia: " + head(text, "Via") + "\r\nFrom: " + head(text, "From") + "\r\nTo: " + head(text, "To") + tag +
				"\r\nCall-ID: " + head(text, "Call-ID") + "\r\nCSeq: " + head(text, "CSeq") + "\r\n"
		}
		switch {
		case strings.HasPrefix(text, "BYE "):
			_, _ = c.WriteToUDPAddrPort([]byte(copied("")+"Content-Length: 0\r\n\r\n"), from)
		case strings.HasPrefix(text, "INVITE "):
			user := toUser.FindStringSubmatch(text)[1]
			i, _ := strconv.Atoi(strings.TrimPrefix(user, "line-"))
			l.lines[i].nearTo.Store(portIn(text))
			at := c.LocalAddr().(*net.UDPAddr).Port
			_, _ = c.WriteToUDPAddrPort([]byte(copied(";tag=n")+fmt.Sprintf("Contact: <sip:%s@127.0.0.1:%d>\r\n", user, at)+
				loadSDP(l.nearRTP)), from)
		}
	}
}

func portIn(text string) uint32 {
	m := mediaPort.FindStringSubmatch(text)
	if m == nil {
		return 0
	}
	p, _ := strconv.Atoi(m[1])
	return uint32(p)
}

func loadSDP(c *net.UDPConn) string {
	body := fmt.Sprintf("v=0\r\no=- 1 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio %d RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\n",
		c.LocalAddr().(*net.UDPAddr).Port)
	return fmt.Sprintf("Content-Type: application/sdp\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
}

// beFar sorts what comes to the far ends.
func (l *load) beFar() {
	buf := make([]byte, 4000)
	for {
		n, _, err := l.far.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		text := string(buf[:n])
		name, _, _ := strings.Cut(head(text, "Call-ID"), "/")
		i, err := strconv.Atoi(strings.TrimPrefix(name, "line-"))
		if err != nil || i >= len(l.lines) || !strings.HasPrefix(text, "SIP/2.0 200") {
			continue
		}
		x := l.lines[i]
		x.mu.Lock()
		if head(text, "Call-ID") == x.callID && strings.HasSuffix(head(text, "CSeq"), "INVITE") {
			select {
			case x.answered <- text:
			default: // a repeat
			}
		}
		x.mu.Unlock()
	}
}

func (l *load) request(x *loadLine, method string, cseq int, to, rest string) {
	text := fmt.Sprintf("%s sip:%s@127.0.0.1:%d SIP/2.0\r\nVia: SIP/2.0/UDP 127.0.0.1:%d;branch=z9hG4bK%s%d%s\r\nMax-Forwards: 70\r\n"+
		"From: <sip:555-0101@127.0.0.1>;tag=f\r\nTo: %s\r\nCall-ID: %s\r\nCSeq: %d %s\r\nContact: <sip:555-0101@127.0.0.1:%d>\r\n%s",
		method, x.name, l.r.servicePort, l.r.far, strings.ReplaceAll(x.callID, "/", "x"), cseq, method, to, x.callID, cseq, method, l.r.far, rest)
	_, _ = l.far.WriteToUDP([]byte(text), l.service)
}

// call brings a call up on the line.
func (l *load) call(x *loadLine) {
	l.t.Helper()
	x.mu.Lock()
	x.seq++
	x.callID = fmt.Sprintf("%s/%d", x.name, x.seq)
	x.answered = make(chan string, 1)
	answered := x.answered
	x.mu.Unlock()
	to := fmt.Sprintf("<sip:%s@127.0.0.1>", x.name)
	for range 10 {
		l.request(x, "INVITE", 1, to, loadSDP(l.farRTP))
		select {
		case text := <-answered:
			x.to = head(text, "To")
			x.farTo.Store(portIn(text))
			l.request(x, "ACK", 1, x.to, "Content-Length: 0\r\n\r\n")
			return
		case <-time.After(time.Second):
		}
	}
	l.t.Errorf("%s: no answer to an INVITE", x.name)
}

// clear hangs up at the far end and returns when the BYE was sent.
func (l *load) clear(x *loadLine) time.Time {
	at := time.Now()
	l.request(x, "BYE", 2, x.to, "Content-Length: 0\r\n\r\n")
	x.farTo.Store(0)
	x.nearTo.Store(0)
	return at
}

// talk sends G.711 both ways on every line that has a call, 50 packets a second each, spread over the 20 ms.
func (l *load) talk(sent *atomic.Uint64) {
	const slots = 10
	tick := time.NewTicker(20 * time.Millisecond / slots)
	defer tick.Stop()
	packet := make([]byte, 172)
	packet[0] = 0x80
	for n := uint32(0); ; n++ {
		select {
		case <-l.end:
			return
		case <-tick.C:
		}
		seq := n / slots
		binary.BigEndian.PutUint16(packet[2:], uint16(seq))
		binary.BigEndian.PutUint32(packet[4:], seq*160)
		for i := int(n % slots); i < len(l.lines); i += slots {
			x := l.lines[i]
			binary.BigEndian.PutUint32(packet[8:], uint32(1000*x.seq+i))
			for _, way := range []struct {
				c  *net.UDPConn
				to uint32
			}{{l.farRTP, x.farTo.Load()}, {l.nearRTP, x.nearTo.Load()}} {
				if way.to != 0 {
					_, _ = way.c.WriteToUDP(packet, &net.UDPAddr{IP: l.service.IP, Port: int(way.to)})
					sent.Add(1)
				}
			}
		}
	}
}

// loadBoard is a Modbus TCP board with many coils that stamps what comes: libmodbus's board would do, but not in this process.
type loadBoard struct {
	port   int
	coils  []atomic.Bool
	opened []chan time.Time // buffer 1: one opening of a coil at a time
	closed []chan boardClose
	bare   chan time.Time // buffer 1: one try of the bare path at a time
	start  []time.Time    // owned by the connection that serves the daemon
}

// boardClose is the end of an opening: how long it was since the board confirmed it.
type boardClose struct{ length time.Duration }

const bareUnit = 2 // the bare path shows itself by this unit

func newLoadBoard(t testing.TB, n int) *loadBoard {
	t.Helper()
	lis, err := net.Listen("tcp4", "127.0.0.1:0")
	require.NoError(t, err)
	b := &loadBoard{port: lis.Addr().(*net.TCPAddr).Port, coils: make([]atomic.Bool, n), bare: make(chan time.Time, 1), start: make([]time.Time, n)}
	for range n {
		b.opened, b.closed = append(b.opened, make(chan time.Time, 1)), append(b.closed, make(chan boardClose, 1))
	}
	t.Cleanup(func() { lis.Close() })
	go func() {
		for {
			c, err := lis.Accept()
			if err != nil {
				return
			}
			go b.serve(c)
		}
	}()
	return b
}

func (b *loadBoard) serve(c net.Conn) {
	defer c.Close()
	q := make([]byte, 12)
	for {
		if _, err := io.ReadFull(c, q); err != nil {
			return
		}
		now := time.Now()
		index, value := int(binary.BigEndian.Uint16(q[8:])), int(binary.BigEndian.Uint16(q[10:]))
		switch {
		case q[6] == bareUnit:
			b.bare <- now
		case q[7] == 5 && value != 0 && !b.coils[index].Swap(true):
			b.opened[index] <- now
			b.start[index] = time.Now()
		case q[7] == 5 && value == 0 && b.coils[index].Swap(false):
			b.closed[index] <- boardClose{now.Sub(b.start[index])}
		}
		answer := q
		if q[7] == 1 {
			n := (value + 7) / 8
			answer = append(append([]byte(nil), q[:4]...), 0, byte(3+n), q[6], 1, byte(n))
			answer = append(answer, make([]byte, n)...)
			for i := range value {
				if index+i < len(b.coils) && b.coils[index+i].Load() {
					answer[9+i/8] |= 1 << (i % 8)
				}
			}
		}
		if _, err := c.Write(answer); err != nil {
			return
		}
	}
}
