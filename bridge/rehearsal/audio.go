package rehearsal

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/pion/rtp"
)

// packetTime is the usual length of a G.711 packet (RFC 3551 section 4.2). packetBytes is its size at 8 kHz.
const (
	packetTime  = 20 * time.Millisecond
	packetBytes = 160
)

// audio is one RTP stream with G.711 mu-law. It sends silence and counts the packets that it receives.
type audio struct {
	conn *net.UDPConn
	stop chan struct{}
	end  sync.Once
	all  sync.WaitGroup

	to    atomic.Pointer[netip.AddrPort]
	heard atomic.Uint64
}

func openAudio() (*audio, error) {
	for range 64 { // RTP uses an even port (RFC 3550 section 11); half of the free ports are even
		conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		if err != nil {
			return nil, fmt.Errorf("open an RTP socket on loopback: %w", err)
		}
		if conn.LocalAddr().(*net.UDPAddr).Port%2 == 0 {
			a := &audio{conn: conn, stop: make(chan struct{})}
			a.all.Go(a.listen)
			a.all.Go(a.talk)
			return a, nil
		}
		_ = conn.Close() // not used
	}
	return nil, errors.New("open an RTP socket on loopback: no even port in 64 tries")
}

func (a *audio) sdp() []byte {
	port := a.conn.LocalAddr().(*net.UDPAddr).Port
	return fmt.Appendf(nil, "v=0\r\no=- %d 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\n"+
		"m=audio %d RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\na=ptime:20\r\na=sendrecv\r\n", port, port)
}

// talkTo sends to the address in an SDP body (RFC 8866 sections 5.7 and 5.14). If the body has none, the address stays
// the same.
func (a *audio) talkTo(sdp []byte) {
	host, port := "", ""
	for _, l := range strings.Split(strings.ReplaceAll(string(sdp), "\r\n", "\n"), "\n") {
		if v, ok := strings.CutPrefix(l, "c=IN IP4 "); ok {
			host = strings.TrimSpace(v)
		}
		if v, ok := strings.CutPrefix(l, "m=audio "); ok {
			port, _, _ = strings.Cut(v, " ")
		}
	}
	ip, err := netip.ParseAddr(host)
	n, err2 := strconv.ParseUint(port, 10, 16)
	if err != nil || err2 != nil || n == 0 {
		return
	}
	to := netip.AddrPortFrom(ip, uint16(n))
	a.to.Store(&to)
}

func (a *audio) talk() {
	ticks := time.NewTicker(packetTime)
	defer ticks.Stop()
	p := rtp.Packet{Header: rtp.Header{Version: 2, SSRC: rand.Uint32(), Marker: true},
		Payload: make([]byte, packetBytes)}
	for i := range p.Payload {
		p.Payload[i] = 0xFF // silence in mu-law (ITU-T G.711)
	}
	for {
		select {
		case <-a.stop:
			return
		case <-ticks.C:
		}
		to := a.to.Load()
		if to == nil {
			continue
		}
		if b, err := p.Marshal(); err == nil {
			_, _ = a.conn.WriteToUDPAddrPort(b, *to) // like any datagram, it may be lost
		}
		p.Marker = false
		p.SequenceNumber++
		p.Timestamp += packetBytes
	}
}

func (a *audio) listen() {
	buf := make([]byte, 2048)
	for {
		n, _, err := a.conn.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		var p rtp.Packet
		if err == nil && p.Unmarshal(buf[:n]) == nil && p.Version == 2 && p.PayloadType == 0 {
			a.heard.Add(1)
		}
	}
}

func (a *audio) close() {
	a.end.Do(func() {
		close(a.stop)
		_ = a.conn.Close() // a UDP socket has no unwritten data to lose
		a.all.Wait()
	})
}
