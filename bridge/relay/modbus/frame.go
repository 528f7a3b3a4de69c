package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Function codes and sizes of the MODBUS Application Protocol Specification V1.1b3, sections 4.1 and 6.
const (
	fnReadCoils      = 0x01
	fnReadInputs     = 0x02
	fnReadRegisters  = 0x03
	fnWriteCoil      = 0x05
	fnWriteRegister  = 0x06
	fnWriteRegisters = 0x10
	exceptionBit     = 0x80

	headerLen = 7   // transaction 2, protocol 2, length 2, unit 1 (MODBUS Messaging on TCP/IP V1.0b, section 3.1.3)
	maxPDU    = 253 // application protocol, section 4.1
)

// ErrProtocol means that the board sent something that is not an answer to its request. The connection is ended.
var ErrProtocol = errors.New("modbus: not a valid answer")

// Exception is the exception code in a board's answer.
type Exception uint8

// Error returns the code with a short form of its name from section 7 of the application protocol.
func (e Exception) Error() string {
	names := map[Exception]string{1: "illegal function", 2: "illegal data address", 3: "illegal data value",
		4: "device failure",
		5: "acknowledge, still processing", 6: "device busy", 8: "memory parity error", 10: "gateway path unavailable",
		11: "gateway target gave no answer"}
	if n, ok := names[e]; ok {
		return fmt.Sprintf("modbus: exception %d (%s)", uint8(e), n)
	}
	return fmt.Sprintf("modbus: exception %d", uint8(e))
}

// nothingDone reports whether the code proves that the request had no effect. After a device failure, an acknowledge or
// a gateway's time-out the contact may have moved.
func (e Exception) nothingDone() bool {
	switch e {
	case 1, 2, 3, 6, 10:
		return true
	default: // includes vendor-specific codes
		return false
	}
}

func request(fn byte, a, b uint16) []byte {
	p := make([]byte, 0, 5)
	p = append(p, fn)
	p = binary.BigEndian.AppendUint16(p, a)
	return binary.BigEndian.AppendUint16(p, b)
}

func readCoils(addr, n uint16) []byte { return request(fnReadCoils, addr, n) }

func readInputs(addr, n uint16) []byte { return request(fnReadInputs, addr, n) }

func writeCoil(addr uint16, on bool) []byte {
	if on {
		return request(fnWriteCoil, addr, 0xFF00)
	}
	return request(fnWriteCoil, addr, 0)
}

func writeRegister(addr, value uint16) []byte { return request(fnWriteRegister, addr, value) }

func readRegisters(addr, n uint16) []byte { return request(fnReadRegisters, addr, n) }

// writePair returns a request that writes two adjacent holding registers.
func writePair(addr, first, second uint16) []byte {
	p := append(request(fnWriteRegisters, addr, 2), 4)
	p = binary.BigEndian.AppendUint16(p, first)
	return binary.BigEndian.AppendUint16(p, second)
}

// appendFrame appends the MBAP header and the PDU.
func appendFrame(dst []byte, txn uint16, unit byte, pdu []byte) []byte {
	dst = binary.BigEndian.AppendUint16(dst, txn)
	dst = append(dst, 0, 0)
	dst = binary.BigEndian.AppendUint16(dst, uint16(len(pdu)+1))
	dst = append(dst, unit)
	return append(dst, pdu...)
}

// readFrame reads one frame.
func readFrame(r io.Reader) (txn uint16, unit byte, pdu []byte, err error) {
	var h [headerLen]byte
	if _, err = io.ReadFull(r, h[:]); err != nil {
		return 0, 0, nil, err
	}
	if p := binary.BigEndian.Uint16(h[2:]); p != 0 {
		return 0, 0, nil, fmt.Errorf("%w: protocol identifier %d instead of 0; is this a Modbus TCP port?", ErrProtocol,
			p)
	}
	n := int(binary.BigEndian.Uint16(h[4:])) - 1
	if n < 2 || n > maxPDU {
		return 0, 0, nil, fmt.Errorf("%w: a PDU of %d bytes, allowed are 2 to %d", ErrProtocol, n, maxPDU)
	}
	pdu = make([]byte, n)
	if _, err = io.ReadFull(r, pdu); err != nil {
		return 0, 0, nil, err
	}
	return binary.BigEndian.Uint16(h[:]), h[6], pdu, nil
}

// checkAnswer returns the board's exception, or ErrProtocol if answer cannot belong to request.
func checkAnswer(request, answer []byte) error {
	fn := request[0]
	switch {
	case answer[0] == fn|exceptionBit && len(answer) == 2:
		return Exception(answer[1])
	case answer[0] != fn:
		return fmt.Errorf("%w: function %#02x answered with %#02x", ErrProtocol, fn, answer[0])
	}
	switch fn {
	case fnWriteCoil, fnWriteRegister:
		if string(answer) != string(request) {
			return fmt.Errorf("%w: a write of % x was echoed as % x", ErrProtocol, request, answer)
		}
	case fnWriteRegisters:
		if string(answer) != string(request[:5]) {
			return fmt.Errorf("%w: a write of % x was confirmed as % x", ErrProtocol, request, answer)
		}
	case fnReadRegisters:
		n := int(binary.BigEndian.Uint16(request[3:]))
		if len(answer) != 2+2*n || int(answer[1]) != 2*n {
			return fmt.Errorf("%w: %d registers in % x", ErrProtocol, n, answer)
		}
	case fnReadCoils, fnReadInputs:
		n := int(binary.BigEndian.Uint16(request[3:]))
		if want := (n + 7) / 8; len(answer) != 2+want || int(answer[1]) != want {
			return fmt.Errorf("%w: %d bits in % x", ErrProtocol, n, answer)
		}
	}
	return nil
}

// bit returns bit i of a checked answer to readCoils or readInputs.
func bit(answer []byte, i int) bool { return answer[2+i/8]>>(i%8)&1 == 1 }

// word returns register i of a checked answer to readRegisters.
func word(answer []byte, i int) uint16 { return binary.BigEndian.Uint16(answer[2+2*i:]) }
