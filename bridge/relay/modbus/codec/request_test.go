package codec

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: MODBUS Application Protocol Specification V1.1b3, the worked examples of sections 6.1 to 6.6, 6.11 and 6.12.
func TestPublishedRequests(t *testing.T) {
	for _, c := range []struct {
		section string
		made    Request // nil if no master of ours makes it
		bytes   string
		f       Function
		address int
		n       int
	}{
		{"6.1", Read(ReadCoils, 0x13, 19), "01 00 13 00 13", ReadCoils, 19, 19},
		{"6.2", Read(ReadDiscreteInputs, 0xC4, 22), "02 00 C4 00 16", ReadDiscreteInputs, 196, 22},
		{"6.3", Read(ReadHoldingRegisters, 0x6B, 3), "03 00 6B 00 03", ReadHoldingRegisters, 107, 3},
		{"6.4", Read(ReadInputRegisters, 8, 1), "04 00 08 00 01", ReadInputRegisters, 8, 1},
		{"6.5", WriteCoil(0xAC, true), "05 00 AC FF 00", WriteSingleCoil, 172, 1},
		{"6.5, off", WriteCoil(0x1AC, false), "05 01 AC 00 00", WriteSingleCoil, 428, 1},
		{"6.6", WriteRegister(1, 3), "06 00 01 00 03", WriteSingleRegister, 1, 1},
		{"6.11", nil, "0F 00 13 00 0A 02 CD 01", WriteMultipleCoils, 19, 10},
		{"6.12", WriteRegisters(1, 10, 0x102), "10 00 01 00 02 04 00 0A 01 02", WriteMultipleRegisters, 1, 2},
	} {
		want := unhex(t, c.bytes)
		if c.made != nil {
			require.Equal(t, want, []byte(c.made), c.section)
		}
		r, err := ParseRequest(want)
		require.NoError(t, err, c.section)
		require.Equal(t, []any{c.f, c.address, c.n}, []any{r.Function(), r.Address(), r.Quantity()}, c.section)
	}
}

// Source: the same. Section 6.11: the lowest bit of the first byte is the first coil; CD 01 is 1100 1101, then 01.
func TestPublishedValues(t *testing.T) {
	r, err := ParseRequest(unhex(t, "0F 00 13 00 0A 02 CD 01"))
	require.NoError(t, err)
	var on []bool
	for i := range r.Quantity() {
		on = append(on, r.Coil(i))
	}
	require.Equal(t, []bool{true, false, true, true, false, false, true, true, true, false}, on)
	require.True(t, WriteCoil(3, true).Coil(0))
	require.False(t, WriteCoil(3, false).Coil(0))
	require.Equal(t, uint16(0x1234), WriteRegister(7, 0x1234).Register(0))
	pair := WriteRegisters(7, 0x1234, 0x5678)
	require.Equal(t, []uint16{0x1234, 0x5678}, []uint16{pair.Register(0), pair.Register(1)})
}

// Source: the same, sections 6.1 to 6.4, 6.11 and 6.12: the quantities allowed, and exception 3 for all others.
func TestQuantities(t *testing.T) {
	for f, most := range map[Function]int{ReadCoils: 2000, ReadDiscreteInputs: 2000, ReadHoldingRegisters: 125,
		ReadInputRegisters: 125, WriteMultipleCoils: 1968, WriteMultipleRegisters: 123} {
		for n, ok := range map[int]bool{0: false, 1: true, most: true, most + 1: false, 0xFFFF: false} {
			pdu := []byte{byte(f), 0, 0, byte(n >> 8), byte(n)}
			data := map[Function]int{WriteMultipleCoils: (n + 7) / 8, WriteMultipleRegisters: 2 * n}[f]
			if f == WriteMultipleCoils || f == WriteMultipleRegisters {
				pdu = append(append(pdu, byte(data)), make([]byte, data)...)
			}
			r, err := ParseRequest(pdu)
			if !ok {
				require.Equal(t, IllegalDataValue, err, "function %d, quantity %d", f, n)
				continue
			}
			require.NoError(t, err, "function %d, quantity %d", f, n)
			require.Equal(t, n, r.Quantity())
			require.LessOrEqual(t, len(pdu), maxPDU)
		}
	}
	require.EqualValues(t, 2000, MaxReadBits)
}

// Source: the same, section 6: the form of each request, and exception 3 for any other (section 7: "incorrect implied
// length"). Section 6.5: FF00 is on, 0000 off, and nothing else.
func TestRequestsWithAnotherForm(t *testing.T) {
	for _, s := range []string{"01 00 00 00 02", "02 00 00 00 02", "03 00 00 00 02", "04 00 00 00 02",
		"05 00 00 00 00", "05 00 00 FF 00", "06 00 00 00 00", "06 00 00 FF FF", "0F 00 00 00 09 02 00 00",
		"10 00 00 00 01 02 00 00"} {
		pdu := unhex(t, s)
		_, err := ParseRequest(pdu)
		require.NoError(t, err, s)
		_, err = ParseRequest(append(bytes.Clone(pdu), 0))
		require.Equal(t, IllegalDataValue, err, s+", a byte more")
		for n := 1; n < len(pdu); n++ {
			_, err = ParseRequest(pdu[:n])
			require.Equal(t, IllegalDataValue, err, "% x", pdu[:n])
		}
		if len(pdu) > 5 {
			pdu[5]++
			_, err = ParseRequest(pdu)
			require.Equal(t, IllegalDataValue, err, s+", another count")
		}
	}
	for _, s := range []string{"05 00 00 00 01", "05 00 00 01 00", "05 00 00 FF 01", "05 00 00 FE 00"} {
		_, err := ParseRequest(unhex(t, s))
		require.Equal(t, IllegalDataValue, err, s)
	}
	for f := range 256 {
		known := f >= 1 && f <= 6 || f == 15 || f == 16
		for _, pdu := range [][]byte{{byte(f)}, {byte(f), 0, 0, 0, 1}} {
			_, err := ParseRequest(pdu)
			require.Equal(t, !known, err == IllegalFunction, "% x", pdu)
		}
		require.Equal(t, f >= 1 && f <= 4, Function(f).IsRead(), f)
	}
}
