package agent

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Function codes, exceptions and sizes of the MODBUS Application Protocol Specification V1.1b3, sections 4.1, 6 and 7.
const (
	fnReadCoils      = 0x01
	fnReadInputs     = 0x02
	fnReadHolding    = 0x03
	fnReadInput      = 0x04
	fnWriteCoil      = 0x05
	fnWriteRegister  = 0x06
	fnWriteCoils     = 0x0F
	fnWriteRegisters = 0x10

	mostBits           = 2000 // bits that one read may ask for
	mostRegisters      = 125
	mostWriteBits      = 1968
	mostWriteRegisters = 123

	headerLen = 7   // transaction 2, protocol 2, length 2, unit 1 (Messaging on TCP/IP V1.0b, section 3.1.3)
	mostPDU   = 253 // application protocol, section 4.1
)

// exception is an exception code.
type exception uint8

const (
	illegalFunction exception = 1
	illegalAddress  exception = 2
	illegalValue    exception = 3
	deviceFailure   exception = 4
	deviceBusy      exception = 6
)

// Error names the code.
func (e exception) Error() string { return fmt.Sprintf("modbus exception %d", uint8(e)) }

// errFrame means that the data received is not Modbus TCP. The connection is then ended, since the start of the next
// frame is unknown.
var errFrame = errors.New("agent: not a Modbus TCP frame")

// frame is one request.
type frame struct {
	txn  uint16
	unit byte
	pdu  []byte
}

// readHeader checks a header, and returns the length of the PDU that follows.
func readHeader(h []byte) (f frame, n int, err error) {
	if p := binary.BigEndian.Uint16(h[2:]); p != 0 {
		return f, 0, fmt.Errorf("%w: protocol identifier %d instead of 0", errFrame, p)
	}
	n = int(binary.BigEndian.Uint16(h[4:])) - 1
	if n < 1 || n > mostPDU {
		return f, 0, fmt.Errorf("%w: a PDU of %d bytes, allowed are 1 to %d", errFrame, n, mostPDU)
	}
	return frame{txn: binary.BigEndian.Uint16(h), unit: h[6]}, n, nil
}

// readFrame reads one frame into buf.
func readFrame(r io.Reader, buf *[headerLen + mostPDU]byte) (frame, error) {
	if _, err := io.ReadFull(r, buf[:headerLen]); err != nil {
		return frame{}, err
	}
	f, n, err := readHeader(buf[:headerLen])
	if err != nil {
		return f, err
	}
	f.pdu = buf[headerLen : headerLen+n]
	_, err = io.ReadFull(r, f.pdu)
	return f, err
}

// appendFrame appends the answer to f.
func appendFrame(dst []byte, f frame, pdu []byte) []byte {
	dst = binary.BigEndian.AppendUint16(dst, f.txn)
	dst = append(dst, 0, 0)
	dst = binary.BigEndian.AppendUint16(dst, uint16(len(pdu)+1))
	dst = append(dst, f.unit)
	return append(dst, pdu...)
}

// span is the part of a table that a request addresses.
type span struct{ from, n int }

// readSpan reads the address and quantity of a request, and checks the quantity.
func readSpan(pdu []byte, most int) (span, error) {
	if len(pdu) < 5 {
		return span{}, illegalValue
	}
	s := span{int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))}
	if s.n < 1 || s.n > most {
		return s, illegalValue
	}
	return s, nil
}

// within checks that a span lies in a table of size entries.
func (s span) within(size int) error {
	if s.from+s.n > size {
		return illegalAddress
	}
	return nil
}

// exactly checks the length of a request.
func exactly(pdu []byte, n int) error {
	if len(pdu) != n {
		return illegalValue
	}
	return nil
}
