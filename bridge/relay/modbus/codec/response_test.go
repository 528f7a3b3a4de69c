package codec

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// Source: MODBUS Application Protocol Specification V1.1b3, the worked examples of sections 6.1 to 6.6, 6.11, 6.12 and
// 7. In section 6.1, outputs 27-20 are CD, which is 1100 1101 with output 27 at the left; outputs 38-36 are the low
// bits of 05.
func TestPublishedResponses(t *testing.T) {
	bits := func(s string) (on []bool) {
		for _, c := range s {
			on = append(on, c == '1')
		}
		return on
	}
	coils, inputs := Read(ReadCoils, 0x13, 19), Read(ReadDiscreteInputs, 0xC4, 22)
	holding, input := Read(ReadHoldingRegisters, 0x6B, 3), Read(ReadInputRegisters, 8, 1)
	for section, c := range map[string]struct {
		request Request
		made    Response
		bytes   string
	}{
		"6.1":      {coils, coils.ReadBits(bits("1011001111010110101")), "01 03 CD 6B 05"},
		"6.2":      {inputs, inputs.ReadBits(bits("0011010111011011101011")), "02 03 AC DB 35"},
		"6.3":      {holding, holding.ReadRegisters([]uint16{555, 0, 100}), "03 06 02 2B 00 00 00 64"},
		"6.4":      {input, input.ReadRegisters([]uint16{10}), "04 02 00 0A"},
		"6.5":      {WriteCoil(0xAC, true), WriteCoil(0xAC, true).Written(), "05 00 AC FF 00"},
		"6.5, off": {WriteCoil(0xAC, false), WriteCoil(0xAC, false).Written(), "05 00 AC 00 00"},
		"6.6":      {WriteRegister(1, 3), WriteRegister(1, 3).Written(), "06 00 01 00 03"},
		"6.11":     {unhex(t, "0F 00 13 00 0A 02 CD 01"), Request(unhex(t, "0F 00 13 00 0A 02 CD 01")).Written(), "0F 00 13 00 0A"},
		"6.12":     {WriteRegisters(1, 10, 0x102), WriteRegisters(1, 10, 0x102).Written(), "10 00 01 00 02"},
	} {
		require.Equal(t, unhex(t, c.bytes), []byte(c.made), section)
		p, err := c.request.ParseResponse(unhex(t, c.bytes))
		require.NoError(t, err, section)
		require.Equal(t, c.made, p, section)
	}
	a := Response(unhex(t, "01 03 CD 6B 05"))
	for i, want := range bits("1011001111010110101") {
		require.Equal(t, want, a.Bit(i), i)
	}
	a = unhex(t, "03 06 02 2B 00 00 00 64")
	require.Equal(t, []uint16{555, 0, 100}, []uint16{a.Register(0), a.Register(1), a.Register(2)})
	_, err := Read(ReadCoils, 0x4A1, 1).ParseResponse(unhex(t, "81 02"))
	require.Equal(t, IllegalDataAddress, err)
	require.Equal(t, unhex(t, "81 02"), []byte(IllegalDataAddress.Response(ReadCoils)))
}

// TestResponsesThatBelong checks that each request accepts its own answer, but no answer that is a byte longer, shorter
// or different.
func TestResponsesThatBelong(t *testing.T) {
	for _, c := range []struct {
		request Request
		answer  []byte
	}{
		{Read(ReadCoils, 3, 1), []byte{1, 1, 1}}, {Read(ReadCoils, 0, 8), []byte{1, 1, 0xff}},
		{Read(ReadCoils, 0, 9), []byte{1, 2, 0xff, 1}}, {Read(ReadDiscreteInputs, 0, 16), []byte{2, 2, 1, 1}},
		{Read(ReadHoldingRegisters, 7, 2), []byte{3, 4, 0, 1, 0, 2}},
		{Read(ReadInputRegisters, 7, 1), []byte{4, 2, 0, 1}}, {WriteCoil(3, true), []byte{5, 0, 3, 0xff, 0}},
		{WriteRegister(3, 258), []byte{6, 0, 3, 1, 2}}, {[]byte{15, 0, 3, 0, 2, 1, 0}, []byte{15, 0, 3, 0, 2}},
		{WriteRegisters(3, 1, 2), []byte{16, 0, 3, 0, 2}},
	} {
		no := func(answer []byte) {
			t.Helper()
			_, err := c.request.ParseResponse(answer)
			require.ErrorIs(t, err, ErrResponse, "% x for % x", answer, []byte(c.request))
		}
		_, err := c.request.ParseResponse(c.answer)
		require.NoError(t, err)
		no(append(bytes.Clone(c.answer), 0))
		for n := range c.answer {
			no(c.answer[:n])
		}
		differs := c.answer // in the answer to a write, every byte counts
		if c.request.Function().IsRead() {
			differs = c.answer[:2]
		}
		for i := range differs {
			wrong := bytes.Clone(c.answer)
			wrong[i]++
			no(wrong)
		}
		f := c.request.Function()
		_, err = c.request.ParseResponse([]byte{byte(f) | 0x80, 2})
		require.Equal(t, IllegalDataAddress, err)
		no([]byte{byte(f) | 0x80, 2, 0})
		no([]byte{byte(f+1) | 0x80, 2})
	}
}

// TestResponseErrors checks the error texts for wrong answers, which a user sees.
func TestResponseErrors(t *testing.T) {
	for _, c := range []struct {
		request Request
		answer  string
		says    string
	}{
		{WriteCoil(3, true), "06 00 03 FF 00", "function 0x05 answered with 0x06"},
		{WriteCoil(3, true), "05 00 04 FF 00", "a write of 05 00 03 ff 00 was echoed as 05 00 04 ff 00"},
		{WriteRegisters(3, 1), "10 00 03 00 02", "a write of 10 00 03 00 01 02 00 01 was confirmed as 10 00 03 00 02"},
		{Read(ReadHoldingRegisters, 0, 2), "03 02 00 01", "2 registers in 03 02 00 01"},
		{Read(ReadCoils, 0, 9), "01 01 FF", "9 bits in 01 01 ff"}, {Read(ReadCoils, 0, 9), "01", "a PDU of 1 bytes"},
	} {
		_, err := c.request.ParseResponse(unhex(t, c.answer))
		require.EqualError(t, err, "modbus: not a valid answer: "+c.says)
	}
}

// Source: the same, section 7, the table of exception codes. Code 99 is not in it.
func TestExceptionNames(t *testing.T) {
	for e, want := range map[Exception]string{1: "exception 1 (illegal function)", 2: "exception 2 (illegal data address)",
		3: "exception 3 (illegal data value)", 4: "exception 4 (device failure)",
		5: "exception 5 (acknowledge, still processing)", 6: "exception 6 (device busy)",
		8: "exception 8 (memory parity error)", 10: "exception 10 (gateway path unavailable)",
		11: "exception 11 (gateway target gave no answer)", 99: "exception 99"} {
		require.EqualError(t, e, "modbus: "+want)
	}
	require.Equal(t, []Exception{1, 2, 3, 4, 5, 6, 8, 10, 11}, []Exception{IllegalFunction, IllegalDataAddress,
		IllegalDataValue, DeviceFailure, Acknowledge, DeviceBusy, MemoryParityError, GatewayPathUnavailable,
		GatewayTargetSilent})
	require.Equal(t, Response{0xAB, 1}, IllegalFunction.Response(0x2B))
}
