package modbus

import (
	"encoding/binary"
	"time"
)

// MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 2.5.1.1.
const (
	// charBits is the length of a character: start, 8 data, parity or second stop, stop. For a shorter character a wait
	// is slightly too long.
	charBits = 11
	maxRTU   = 256    // unit 1, PDU 253, CRC 2
	fastBaud = 19_200 // above this speed the silence between frames is fixed
	fastGap  = 1750 * time.Microsecond
)

// charTime returns how long n characters take.
func charTime(n, baud int) time.Duration {
	return time.Duration(n) * charBits * time.Second / time.Duration(baud)
}

// frameGap returns the silence between two frames: 3.5 characters.
func frameGap(baud int) time.Duration {
	if baud > fastBaud {
		return fastGap
	}
	return charTime(7, baud) / 2
}

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

// appendRTU appends the frame of a PDU. The checksum has its low byte first.
func appendRTU(dst []byte, unit byte, pdu []byte) []byte {
	from := len(dst)
	dst = append(append(dst, unit), pdu...)
	return binary.LittleEndian.AppendUint16(dst, crc16(dst[from:]))
}

// rtuAnswer returns the length of the answer at the start of b if it is complete and its checksum is right, otherwise
// 0. The pauses that separate frames cannot be observed behind a kernel and a USB adapter, so length and checksum
// determine the end of a frame.
func rtuAnswer(b []byte) int {
	if len(b) < 5 {
		return 0
	}
	var n int
	switch fn := b[1]; {
	case fn&exceptionBit != 0:
		n = 5
	case fn >= fnReadCoils && fn <= 4:
		n = 5 + int(b[2])
	case fn == fnWriteCoil, fn == fnWriteRegister, fn == 15, fn == fnWriteRegisters:
		n = 8
	default:
		return 0
	}
	if n > len(b) || crc16(b[:n-2]) != binary.LittleEndian.Uint16(b[n-2:]) {
		return 0
	}
	return n
}

// findAnswer looks in b for an answer of the given unit to the given function. It skips bytes before the answer, since
// a driver that switches its direction can leave stray bytes on the line. It returns the PDU, nil if there is none yet,
// and the rest of b after whole answers of other units.
func findAnswer(b []byte, unit, fn byte) (pdu, rest []byte) {
	for {
		n := rtuAnswer(b)
		if n == 0 || b[0] == unit {
			break
		}
		b = b[n:]
	}
	for i := range b {
		if n := rtuAnswer(b[i:]); n > 0 && b[i] == unit && b[i+1]&^exceptionBit == fn {
			return b[i+1 : i+n-2], b
		}
	}
	return nil, b
}
