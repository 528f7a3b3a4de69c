package codec

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// ErrResponse means that a device sent something that is not an answer to the request.
var ErrResponse = errors.New("modbus: not a valid answer")

// Response is the PDU of a valid answer: one that a method of [Request] or [Exception] returned.
type Response []byte

// ReadBits returns the answer to a request that reads coils or inputs. on has one value for each of them.
func (r Request) ReadBits(on []bool) Response {
	p := make(Response, 2+(len(on)+7)/8)
	p[0], p[1] = r[0], byte(len(p)-2)
	for i, v := range on {
		if v {
			p[2+i/8] |= 1 << (i % 8)
		}
	}
	return p
}

// ReadRegisters returns the answer to a request that reads registers. values has one value for each of them.
func (r Request) ReadRegisters(values []uint16) Response {
	p := append(make(Response, 0, 2+2*len(values)), r[0], byte(2*len(values)))
	for _, v := range values {
		p = binary.BigEndian.AppendUint16(p, v)
	}
	return p
}

// Written returns the answer that confirms a write. It shares the memory of the request.
func (r Request) Written() Response { return Response(r[:5]) }

// ParseResponse returns pdu as the answer to the request. If the device refused the request, the error is its
// [Exception]. If pdu is not a valid answer, the error wraps [ErrResponse]. The response shares the memory of pdu.
func (r Request) ParseResponse(pdu []byte) (Response, error) {
	f := r.Function()
	switch {
	case len(pdu) < 2:
		return nil, fmt.Errorf("%w: a PDU of %d bytes", ErrResponse, len(pdu))
	case pdu[0] == byte(f)|exceptionBit && len(pdu) == 2:
		return nil, Exception(pdu[1])
	case pdu[0] != byte(f):
		return nil, fmt.Errorf("%w: function %#02x answered with %#02x", ErrResponse, f, pdu[0])
	}
	n := r.Quantity()
	hasData := func(bytes int) bool { return len(pdu) == 2+bytes && int(pdu[1]) == bytes }
	switch f {
	case WriteSingleCoil, WriteSingleRegister:
		if string(pdu) != string(r) {
			return nil, fmt.Errorf("%w: a write of % x was echoed as % x", ErrResponse, r, pdu)
		}
	case WriteMultipleCoils, WriteMultipleRegisters:
		if string(pdu) != string(r.Written()) {
			return nil, fmt.Errorf("%w: a write of % x was confirmed as % x", ErrResponse, r, pdu)
		}
	case ReadHoldingRegisters, ReadInputRegisters:
		if !hasData(2 * n) {
			return nil, fmt.Errorf("%w: %d registers in % x", ErrResponse, n, pdu)
		}
	default:
		if !hasData((n + 7) / 8) {
			return nil, fmt.Errorf("%w: %d bits in % x", ErrResponse, n, pdu)
		}
	}
	return pdu, nil
}

// Bit returns bit i of an answer to a request that read coils or inputs.
func (p Response) Bit(i int) bool { return bit(p[2:], i) }

// Register returns register i of an answer to a request that read registers.
func (p Response) Register(i int) uint16 { return binary.BigEndian.Uint16(p[2+2*i:]) }
