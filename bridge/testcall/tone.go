package testcall

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"net"
	"net/netip"
	"sync"
	"time"

	"github.com/pion/rtp"
)

const (
	// toneHz is the reference test frequency of 1,020 Hz (ITU-T O.6, from memory). It lies outside the call-progress
	// tones, 350 to 620 Hz, so that no adapter takes it for busy or dial tone. An adapter would take those for a
	// far-end clearing of its own.
	toneHz = 1020
	// toneLevel, in dBm0, is the level of quiet speech, which is bearable at the ear for a minute. Our own choice.
	toneLevel = -20
	// sampleRate is the sampling rate of G.711 in Hz.
	sampleRate = 8000
	// packetTime and packetSamples are the length of a packet (RFC 3551 section 4.2).
	packetTime    = 20 * time.Millisecond
	packetSamples = sampleRate / 50
	// toneSamples is the number of samples in the shortest whole number of periods of toneHz.
	toneSamples = 400
)

// The static payload types of RFC 3551 section 6.
const (
	pcmu = 0
	pcma = 8
)

// Full scale of a sine in dBm0, and its amplitude in the units of ITU-T G.711 (14 bits for mu-law, 13 for A-law).
const (
	muLawFull, muLawPeak = 3.17, 8159
	aLawFull, aLawPeak   = 3.14, 4096
)

// tone is an RTP socket that plays a tone to an address.
type tone struct {
	// set once
	conn  *net.UDPConn
	codes [2][toneSamples]byte // mu-law, A-law
	quit  chan struct{}        // closed by close
	all   sync.WaitGroup

	mu      sync.Mutex
	version int            // of the SDP that we send
	to      netip.AddrPort // not valid: silence
	kind    uint8          // payload type
	marker  bool           // the next packet begins a talk spurt
}

// openTone binds an even port (RFC 3550 section 11). Half of the free ports are even.
func openTone(at netip.Addr) (*tone, error) {
	const tries = 64
	for range tries {
		conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.AddrPortFrom(at, 0)))
		if err != nil {
			return nil, fmt.Errorf("open an RTP socket at %v: %w", at, err)
		}
		if conn.LocalAddr().(*net.UDPAddr).Port%2 == 0 {
			t := &tone{conn: conn, quit: make(chan struct{})}
			for i := range toneSamples {
				x := math.Sin(2 * math.Pi * toneHz * float64(i) / sampleRate)
				t.codes[0][i] = muLaw(int(math.Round(x * amplitude(toneLevel, muLawFull, muLawPeak))))
				t.codes[1][i] = aLaw(int(math.Round(x * amplitude(toneLevel, aLawFull, aLawPeak))))
			}
			t.all.Go(t.play)
			return t, nil
		}
		if err := conn.Close(); err != nil {
			return nil, fmt.Errorf("close an RTP socket at %v: %w", at, err)
		}
	}
	return nil, fmt.Errorf("open an RTP socket at %v: no even port in %d tries", at, tries)
}

// amplitude returns the amplitude of a sine of that level.
func amplitude(level, full, peak float64) float64 { return peak * math.Pow(10, (level-full)/20) }

// muLaw encodes a sample of 14 bits (ITU-T G.711, table 2).
func muLaw(x int) byte {
	sign := byte(0)
	if x < 0 {
		sign, x = 0x80, -x
	}
	const bias = 33
	m := min(x, 8158) + bias
	segment := bits.Len(uint(m)) - 6
	return ^(sign | byte(segment)<<4 | byte(m>>(segment+1))&0x0F)
}

// aLaw encodes a sample of 13 bits (ITU-T G.711, table 1): the even bits are inverted.
func aLaw(x int) byte {
	sign := byte(0x80)
	if x < 0 {
		sign, x = 0, -x-1
	}
	m := min(x, 4095)
	segment := max(0, bits.Len(uint(m))-5)
	return (sign | byte(segment)<<4 | byte(m>>max(1, segment))&0x0F) ^ 0x55
}

// playTo begins to play to the address in an SDP body.
func (t *tone) playTo(answer []byte) error {
	d, err := describe(answer)
	if err != nil {
		return err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.to, t.kind, t.marker = netip.AddrPort{}, d.kind, true
	if d.receives() {
		t.to = d.at
	}
	return nil
}

func (t *tone) stop() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.to = netip.AddrPort{}
}

func (t *tone) play() {
	ticks := time.NewTicker(packetTime)
	defer ticks.Stop()
	p := rtp.Packet{Header: rtp.Header{
		Version: 2, SSRC: rand.Uint32(), SequenceNumber: uint16(rand.Uint32()), Timestamp: rand.Uint32(),
	}, Payload: make([]byte, packetSamples)}
	for at := 0; ; at = (at + packetSamples) % toneSamples {
		select {
		case <-t.quit:
			return
		case <-ticks.C:
		}
		p.Timestamp += packetSamples // the timestamp advances in silence too
		t.mu.Lock()
		to, law := t.to, 0
		p.PayloadType, p.Marker = t.kind, t.marker
		t.marker = t.marker && !to.IsValid()
		t.mu.Unlock()
		if !to.IsValid() {
			continue
		}
		if p.PayloadType == pcma {
			law = 1
		}
		for i := range p.Payload {
			p.Payload[i] = t.codes[law][(at+i)%toneSamples]
		}
		p.SequenceNumber++
		if b, err := p.Marshal(); err == nil {
			t.conn.WriteToUDPAddrPort(b, to) // an RTP packet that cannot be sent counts as lost
		}
	}
}

func (t *tone) close() {
	close(t.quit)
	t.all.Wait()
	t.conn.Close() // a UDP socket has no unwritten data to lose
}

// errNoCodec means that the other side does not support G.711.
var errNoCodec = errors.New("the session description has no audio stream with PCMU or PCMA")
