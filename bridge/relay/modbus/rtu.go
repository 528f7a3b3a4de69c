package modbus

import (
	"encoding/binary"
	"time"
)

// MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 2.5.1.1.
const (
	charBits = 11     // of a character: start, 8 data, parity or a second stop, stop; with fewer a wait is a little too long
	maxRTU   = 256    // unit 1, PDU 253, CRC 2
	fastBaud = 19_200 // above it the silence between frames is fixed
	fastGap  = 1750 * time.Microsecond
)

// charTime is how long n characters take.
func charTime(n, baud int) time.Duration {
	return time.Duration(n) * charBits * time.Second / time.Duration(baud)
}

// frameGap is the silence between two frames: 3.5 characters.
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

// appendRTU appends the frame of a PDU; its checksum goes low byte first.
func appendRTU(dst []byte, unit byte, pdu []byte) []byte {
	from := len(dst)
	dst = append(append(dst, unit), pdu...)
	return binary.LittleEndian.AppendUint16(dst, crc16(dst[from:]))
}

// rtuAnswer returns the length of the answer that b begins with, if it is there as a whole and its checksum is right;
// else 0. The pauses of 1.5 characters that end a frame are not to be seen behind a kernel and a USB adapter, so length
// and checksum tell where it ends.
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

// findAnswer looks for an answer of that unit to that function in what has come in: bytes in front of it are what a
// driver that switches its direction leaves on the line. It returns the PDU, nil if there is none yet, and what is left
// of b after whole answers of other units.
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
