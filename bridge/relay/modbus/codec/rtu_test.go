package codec

import (
	"bytes"
	"testing"

	"clearback/bridge/relay/modbus/modbustest"

	"github.com/stretchr/testify/require"
)

// Source: MODBUS over Serial Line V1.02, appendix B (the example of the checksum), from memory. The others are the
// reflected CRC-16 with 0xA001 and 0xFFFF, whose check value over "123456789" is published as 0x4B37 (CRC-16/MODBUS).
// In the tests of the bus, libmodbus and simonvetter/modbus check the frames on the wire.
func TestPublishedChecksums(t *testing.T) {
	require.Equal(t, uint16(0x1241), crc16([]byte{0x02, 0x07}))
	require.Equal(t, uint16(0x4B37), crc16([]byte("123456789")))
	require.Equal(t, []byte{9, 0x02, 0x07, 0x41, 0x12}, AppendRTU([]byte{9}, 2, []byte{7}), "low byte first")
	require.Equal(t, 256, MaxRTU, "serial line, section 2.5.1")
}

func TestFindRTUResponse(t *testing.T) {
	frame := modbustest.RTU
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	closeIt := []byte{5, 0, 3, 0, 0}
	mine, other := frame(1, closeIt...), frame(2, 1, 1, 1)
	broken := append([]byte{}, mine...)
	broken[6]++
	for name, c := range map[string]struct {
		in, pdu, rest []byte
	}{
		"nothing":            {nil, nil, nil},
		"a part":             {mine[:7], nil, mine[:7]},
		"whole":              {mine, closeIt, mine},
		"an exception":       {frame(1, 0x85, 2), []byte{0x85, 2}, frame(1, 0x85, 2)},
		"others first":       {join(other, other, mine), closeIt, mine},
		"only others":        {join(other, other), nil, []byte{}},
		"others and a part":  {join(other, mine[:3]), nil, mine[:3]},
		"a stray byte":       {join([]byte{0}, mine), closeIt, join([]byte{0}, mine)},
		"a wrong checksum":   {broken, nil, broken},
		"broken, then whole": {join(broken, mine), closeIt, join(broken, mine)},
		"another function":   {frame(1, 1, 1, 0), nil, frame(1, 1, 1, 0)},
	} {
		pdu, rest := FindRTUResponse(c.in, 1, WriteSingleCoil)
		require.Equal(t, c.pdu, pdu, name)
		require.Equal(t, string(c.rest), string(rest), name)
	}
}

// TestLengthsOfRTUResponses checks that the answer to each function ends where the specification says (application
// protocol V1.1b3, section 6).
func TestLengthsOfRTUResponses(t *testing.T) {
	for name, pdu := range map[string][]byte{
		"exception": {0x90, 2}, "coils": {1, 2, 0xff, 1}, "inputs": {2, 1, 1}, "registers": {3, 2, 0, 7},
		"input registers": {4, 2, 0, 7}, "coil": {5, 0, 3, 0xff, 0},
		"register": {6, 0, 3, 0, 9}, "coils written": {15, 0, 3, 0, 2}, "registers written": {16, 0, 3, 0, 2},
		"no bits": {1, 0},
	} {
		frame := modbustest.RTU(1, pdu...)
		require.Equal(t, len(frame), rtuResponse(frame), name)
		require.Equal(t, len(frame), rtuResponse(append(bytes.Clone(frame), 0)), name)
		require.Zero(t, rtuResponse(frame[:len(frame)-1]), name)
	}
	for _, fn := range []byte{0, 7, 14, 17} {
		require.Zero(t, rtuResponse(modbustest.RTU(1, fn, 0, 3, 0, 2)), fn)
	}
}
