package codec

import "encoding/binary"

// MaxRTU is the largest length of a frame of Modbus RTU in bytes: unit 1, PDU 253, checksum 2.
const MaxRTU = 1 + maxPDU + 2

// crc16 is the checksum of section 2.5.1.2: the polynomial 0xA001, reflected, from 0xFFFF.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			carry := crc & 1
			crc >>= 1
			if carry == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// AppendRTU appends the frame of a PDU. The checksum has its low byte first.
func AppendRTU(dst []byte, unit byte, pdu []byte) []byte {
	from := len(dst)
	dst = append(append(dst, unit), pdu...)
	return binary.LittleEndian.AppendUint16(dst, crc16(dst[from:]))
}

// rtuResponse returns the length of the answer at the start of b if it is complete and its checksum is right, otherwise
// 0. The pauses that separate frames cannot be observed behind a kernel and a USB adapter, so length and checksum
// determine the end of a frame.
func rtuResponse(b []byte) int {
	if len(b) < 5 {
		return 0
	}
	var n int
	switch f := Function(b[1]); {
	case f&exceptionBit != 0:
		n = 5
	case f.IsRead():
		n = 5 + int(b[2])
	case f == WriteSingleCoil, f == WriteSingleRegister, f == WriteMultipleCoils, f == WriteMultipleRegisters:
		n = 8
	default:
		return 0
	}
	if n > len(b) || crc16(b[:n-2]) != binary.LittleEndian.Uint16(b[n-2:]) {
		return 0
	}
	return n
}

// FindRTUResponse looks in b for an answer of the given unit to the given function. It skips bytes before the answer,
// since an RS-485 transceiver that changes direction can leave stray bytes on the line. It returns the PDU, or nil if
// the answer is not complete yet. rest is b without the complete answers of other units at its start.
func FindRTUResponse(b []byte, unit byte, f Function) (pdu, rest []byte) {
	for {
		n := rtuResponse(b)
		if n == 0 || b[0] == unit {
			break
		}
		b = b[n:]
	}
	for i := range b {
		if n := rtuResponse(b[i:]); n > 0 && b[i] == unit && Function(b[i+1]&^exceptionBit) == f {
			return b[i+1 : i+n-2], b
		}
	}
	return nil, b
}
