package codec

import (
	"bytes"
	"encoding/hex"
	"io"
	"testing"
	"testing/iotest"

	"clearback/bridge/relay/modbus/modbustest"

	"github.com/stretchr/testify/require"
)

// Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: transaction, protocol 0, length of unit
// and PDU, unit.
func TestPublishedFrame(t *testing.T) {
	require.Equal(t, unhex(t, "15 01 00 00 00 06 FF 01 00 13 00 13"),
		AppendTCP(nil, Frame{0x1501, 0xFF, Read(ReadCoils, 0x13, 19)}))
	raw := unhex(t, "15 01 00 00 00 06 FF 01 03 CD 6B 05")
	for name, r := range map[string]io.Reader{"whole": bytes.NewReader(raw),
		"a byte at a time": iotest.OneByteReader(bytes.NewReader(raw))} {
		f, err := ReadTCPResponse(r)
		require.NoError(t, err, name)
		require.Equal(t, Frame{0x1501, 0xFF, raw[7:]}, f, name)
	}
}

// Source: the same guide, section 3.1.3 (lengths, protocol identifier), and the application protocol, section 4.1 (a
// PDU has at most 253 bytes).
func TestBadFrames(t *testing.T) {
	for _, c := range []struct{ bytes, says string }{
		{"00 01 00 07 00 06 01 01 03 CD 6B 05", "protocol identifier 7 instead of 0; is this a Modbus TCP port?"},
		{"00 01 01 00 00 06 01 01 03 CD 6B 05", "protocol identifier 256 instead of 0; is this a Modbus TCP port?"},
		{"00 01 00 00 00 00 01", "a PDU of -1 bytes, allowed are 2 to 253"},
		{"00 01 00 00 00 01 01", "a PDU of 0 bytes, allowed are 2 to 253"},
		{"00 01 00 00 00 02 01 05", "a PDU of 1 bytes, allowed are 2 to 253"},
		{"00 01 00 00 00 FF 01 05", "a PDU of 254 bytes, allowed are 2 to 253"},
		{hex.EncodeToString([]byte("HTTP/1.1 400 Bad Request")),
			"protocol identifier 21584 instead of 0; is this a Modbus TCP port?"},
	} {
		f, err := ReadTCPResponse(bytes.NewReader(unhex(t, c.bytes)))
		require.ErrorIs(t, err, ErrResponse)
		require.EqualError(t, err, "modbus: not a valid answer: "+c.says)
		require.Zero(t, f)
	}
}

// TestLengthsOfFrames checks that the PDU of a request has 1 to 253 bytes, and that of an answer 2 to 253 (application
// protocol, sections 4.1 and 6).
func TestLengthsOfFrames(t *testing.T) {
	for _, c := range []struct {
		n                 int
		request, response bool
	}{{0, false, false}, {1, true, false}, {2, true, true}, {253, true, true}, {254, false, false}} {
		want := Frame{0x1234, 9, bytes.Repeat([]byte{7}, c.n)}
		b := modbustest.TCP(0x1234, 9, want.PDU...)
		require.Equal(t, b, AppendTCP(nil, want))
		reads := func(read func(io.Reader) (Frame, error), ok bool) {
			t.Helper()
			f, err := read(bytes.NewReader(b))
			require.Equal(t, ok, err == nil, "%d bytes: %v", c.n, err)
			if ok {
				require.Equal(t, want, f)
			}
		}
		reads(ReadTCPRequest, c.request)
		reads(ReadTCPResponse, c.response)
	}
	require.Equal(t, 260, MaxTCP, "messaging guide, section 4.4.2.1, from memory")
	frame := AppendTCP(nil, Frame{1, 1, WriteCoil(3, false)})
	for cut := range frame {
		f, err := ReadTCPResponse(bytes.NewReader(frame[:cut]))
		require.Zero(t, f)
		if cut == 0 || cut == 7 {
			require.Equal(t, io.EOF, err)
		} else {
			require.Equal(t, io.ErrUnexpectedEOF, err)
		}
	}
}
