package modbustest

import (
	"bytes"
	"io"
	"net"
	"runtime"
	"syscall"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
)

// Source: MODBUS Application Protocol V1.1b3, section 6.1; Messaging on TCP/IP V1.0b, section 3.1.3; over Serial Line
// V1.02, appendix B (the example of the checksum), from memory.
func TestPublishedFrames(t *testing.T) {
	pdu := PDU(1, 0x13, 0x13)
	require.Equal(t, []byte{1, 0, 0x13, 0, 0x13}, pdu)
	frame := []byte{0x12, 0x34, 0, 0, 0, 6, 9, 1, 0, 0x13, 0, 0x13}
	require.Equal(t, frame, TCP(0x1234, 9, pdu...))
	f, err := ReadTCP(iotest.OneByteReader(bytes.NewReader(frame)))
	require.NoError(t, err)
	require.Equal(t, Frame{0x1234, 9, pdu}, f)
	require.Equal(t, []byte{0x02, 0x07, 0x41, 0x12}, RTU(2, 7))
}

func TestBadFrames(t *testing.T) {
	for name, b := range map[string][]byte{
		"another protocol": {0, 1, 0, 7, 0, 6, 1, 1, 0, 0, 0, 1}, "no function": {0, 1, 0, 0, 0, 1, 1},
		"too long": append([]byte{0, 1, 0, 0, 0, 255, 1}, make([]byte, 254)...),
	} {
		_, err := ReadTCP(bytes.NewReader(b))
		require.ErrorContains(t, err, "not a frame", name)
	}
	_, err := ReadTCP(bytes.NewReader([]byte{0, 1, 0, 0, 0, 6, 1, 1}))
	require.ErrorIs(t, err, io.EOF)
}

// TestRestoreBesideACopy: a copy of the listening socket, as a process has that is being started, takes no port from
// the server.
func TestRestoreBesideACopy(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux ends the listening of all copies")
	}
	b := NewBoard(t, BoardOptions{})
	f, err := b.listener.(*net.TCPListener).File()
	require.NoError(t, err)
	defer f.Close()
	b.Cut()
	_, err = net.Dial("tcp", b.Address())
	require.ErrorIs(t, err, syscall.ECONNREFUSED)
	require.NotPanics(t, b.Restore)
	c, err := net.Dial("tcp", b.Address())
	require.NoError(t, err)
	c.Close()
}
