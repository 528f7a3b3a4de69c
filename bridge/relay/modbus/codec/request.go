// Package codec encodes and decodes Modbus requests, answers and frames. The master (package modbus) and the agent use
// it. It follows these documents:
//
//	the MODBUS Application Protocol Specification V1.1b3             ("application protocol")
//	the MODBUS Messaging on TCP/IP Implementation Guide V1.0b        ("messaging guide")
//	the MODBUS over Serial Line Specification and Guide V1.02        ("serial line")
//
//	request.go   requests and their limits    application protocol, sections 4.1 and 6
//	response.go  answers                      application protocol, section 6
//	exception.go exceptions                   application protocol, section 7
//	tcp.go       frames of Modbus TCP         messaging guide, section 3.1.3
//	rtu.go       frames of Modbus RTU         serial line, sections 2.5.1 and 2.5.1.2
//
// A PDU is a function code and its data, without the frame. The package keeps no state. Its functions may be called
// concurrently.
package codec

import "encoding/binary"

// Function is a function code (application protocol, section 6).
type Function byte

// The functions that the package knows.
const (
	ReadCoils              Function = 0x01
	ReadDiscreteInputs     Function = 0x02
	ReadHoldingRegisters   Function = 0x03
	ReadInputRegisters     Function = 0x04
	WriteSingleCoil        Function = 0x05
	WriteSingleRegister    Function = 0x06
	WriteMultipleCoils     Function = 0x0F
	WriteMultipleRegisters Function = 0x10
)

// The largest quantities of one request (application protocol, sections 6.1 to 6.4, 6.11 and 6.12). The smallest is 1.
const (
	MaxReadBits       = 2000
	maxReadRegisters  = 125
	maxWriteCoils     = 1968
	maxWriteRegisters = 123
)

const (
	maxPDU  = 253    // bytes; application protocol, section 4.1
	coilOn  = 0xFF00 // application protocol, section 6.5
	coilOff = 0x0000
)

// IsRead reports whether the function reads, and therefore changes nothing.
func (f Function) IsRead() bool { return ReadCoils <= f && f <= ReadInputRegisters }

// Request is the PDU of a valid request: one that [Read], [WriteCoil], [WriteRegister] or [WriteRegisters] made, or
// that [ParseRequest] accepted. On any other bytes its methods may panic.
type Request []byte

// Read returns a request that reads quantity coils, inputs or registers, starting at address.
func Read(f Function, address, quantity uint16) Request { return request(f, address, quantity) }

// WriteCoil returns a request that writes one coil.
func WriteCoil(address uint16, on bool) Request {
	if on {
		return request(WriteSingleCoil, address, coilOn)
	}
	return request(WriteSingleCoil, address, coilOff)
}

// WriteRegister returns a request that writes one holding register.
func WriteRegister(address, value uint16) Request {
	return request(WriteSingleRegister, address, value)
}

// WriteRegisters returns a request that writes adjacent holding registers, at most 123.
func WriteRegisters(address uint16, values ...uint16) Request {
	r := append(request(WriteMultipleRegisters, address, uint16(len(values))), byte(2*len(values)))
	for _, v := range values {
		r = binary.BigEndian.AppendUint16(r, v)
	}
	return r
}

func request(f Function, a, b uint16) Request {
	r := append(make(Request, 0, 5), byte(f))
	return binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(r, a), b)
}

// ParseRequest checks the form of a request that a device has received. pdu must have at least one byte. The error is
// [IllegalFunction] or [IllegalDataValue]. The device must check that the addresses exist. The request shares the
// memory of pdu.
func ParseRequest(pdu []byte) (Request, error) {
	most, each := 0, 0 // the largest quantity, and the bits of data for each coil or register
	switch Function(pdu[0]) {
	case ReadCoils, ReadDiscreteInputs:
		most = MaxReadBits
	case ReadHoldingRegisters, ReadInputRegisters:
		most = maxReadRegisters
	case WriteSingleCoil, WriteSingleRegister:
		most = 1
	case WriteMultipleCoils:
		most, each = maxWriteCoils, 1
	case WriteMultipleRegisters:
		most, each = maxWriteRegisters, 16
	default:
		return nil, IllegalFunction
	}
	if len(pdu) < 5 {
		return nil, IllegalDataValue
	}
	r := Request(pdu)
	length, data := 5, (r.Quantity()*each+7)/8
	if each > 0 {
		length = 6 + data
	}
	switch value := binary.BigEndian.Uint16(pdu[3:]); {
	case r.Quantity() < 1, r.Quantity() > most, len(pdu) != length, each > 0 && int(pdu[5]) != data,
		r.Function() == WriteSingleCoil && value != coilOn && value != coilOff:
		return nil, IllegalDataValue
	}
	return r, nil
}

// Function returns the function code.
func (r Request) Function() Function { return Function(r[0]) }

// Address returns the address of the first coil, input or register, counted from 0.
func (r Request) Address() int { return int(binary.BigEndian.Uint16(r[1:])) }

// Quantity returns how many coils, inputs or registers the request concerns.
func (r Request) Quantity() int {
	switch r.Function() {
	case WriteSingleCoil, WriteSingleRegister:
		return 1
	default:
		return int(binary.BigEndian.Uint16(r[3:]))
	}
}

// Coil returns coil i of a request that writes coils.
func (r Request) Coil(i int) bool {
	if r.Function() == WriteSingleCoil {
		return r[3] != 0
	}
	return bit(r[6:], i)
}

// Register returns register i of a request that writes registers.
func (r Request) Register(i int) uint16 {
	if r.Function() == WriteSingleRegister {
		return binary.BigEndian.Uint16(r[3:])
	}
	return binary.BigEndian.Uint16(r[6+2*i:])
}

// bit returns bit i of packed bits. Bit 0 is the lowest bit of the first byte.
func bit(b []byte, i int) bool { return b[i/8]>>(i%8)&1 == 1 }
