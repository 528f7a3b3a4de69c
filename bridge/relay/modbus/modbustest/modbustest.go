// Package modbustest has relay boards for tests, and makes and reads the Modbus frames of test devices and masters. It
// is written from the documents and shares no code with package codec, so that a fault of one does not hide a fault of
// the other.
package modbustest

import (
	"bytes"
	"fmt"
	"io"
	"math/bits"
)

// Frame is one frame of Modbus TCP.
type Frame struct {
	Transaction uint16
	Unit        byte
	PDU         []byte
}

// PDU returns a function code and 16-bit words.
//
// Source: MODBUS Application Protocol Specification V1.1b3, section 4.2: the high byte comes first.
func PDU(function byte, words ...uint16) []byte {
	p := []byte{function}
	for _, w := range words {
		p = append(p, byte(w>>8), byte(w))
	}
	return p
}

// Exception returns an exception response.
//
// Source: MODBUS Application Protocol Specification V1.1b3, section 7: the function code with its highest bit set.
func Exception(function, code byte) []byte { return []byte{function | 0x80, code} }

// TCP returns a frame of Modbus TCP.
//
// Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: transaction, protocol 0, length of unit
// and PDU, unit.
func TCP(transaction uint16, unit byte, pdu ...byte) []byte {
	long := len(pdu) + 1
	head := []byte{byte(transaction >> 8), byte(transaction), 0, 0, byte(long >> 8), byte(long), unit}
	return append(head, pdu...)
}

// ReadTCP reads a frame of Modbus TCP. A frame with another protocol, without a function or with more than 253 bytes of
// PDU is an error.
func ReadTCP(r io.Reader) (Frame, error) {
	var in bytes.Buffer
	if _, err := io.CopyN(&in, r, 6); err != nil {
		return Frame{}, err
	}
	h := in.Bytes()
	long := int64(h[4])<<8 | int64(h[5])
	if h[2]|h[3] != 0 || long < 2 || long > 254 {
		return Frame{}, fmt.Errorf("not a frame of Modbus TCP: % x", h)
	}
	if _, err := io.CopyN(&in, r, long); err != nil {
		return Frame{}, err
	}
	all := in.Bytes()
	return Frame{uint16(all[0])<<8 | uint16(all[1]), all[6], all[7:]}, nil
}

// RTU returns a frame of Modbus RTU.
//
// Source: MODBUS over Serial Line V1.02, section 2.5.1.2: the checksum CRC-16 with the polynomial
// x^16 + x^15 + x^2 + 1, lowest bit first, from 0xFFFF, low byte first. Here it is computed highest bit first, on
// reversed bytes.
func RTU(unit byte, pdu ...byte) []byte {
	frame := append([]byte{unit}, pdu...)
	remainder := uint16(0xFFFF)
	for _, b := range frame {
		for i := range 8 {
			top := byte(remainder>>15) ^ b>>i&1
			remainder <<= 1
			if top == 1 {
				remainder ^= 0x8005
			}
		}
	}
	sum := bits.Reverse16(remainder)
	return append(frame, byte(sum), byte(sum>>8))
}
