package codec

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// Frame is one frame of Modbus TCP.
type Frame struct {
	Transaction uint16 // an answer has the number of its request
	Unit        byte
	PDU         []byte // 1 to 253 bytes
}

// headerLen is the length of the MBAP header in bytes: transaction 2, protocol 2, length 2, unit 1 (messaging guide,
// section 3.1.3).
const headerLen = 7

// MaxTCP is the largest length of a frame of Modbus TCP in bytes.
const MaxTCP = headerLen + maxPDU

// errRequest means that a peer sent something that is not a request of Modbus TCP.
var errRequest = errors.New("modbus: not a valid request")

// AppendTCP appends a frame.
func AppendTCP(dst []byte, f Frame) []byte {
	dst = binary.BigEndian.AppendUint16(dst, f.Transaction)
	dst = append(dst, 0, 0) // protocol
	dst = binary.BigEndian.AppendUint16(dst, uint16(len(f.PDU)+1))
	dst = append(dst, f.Unit)
	return append(dst, f.PDU...)
}

// ReadTCPRequest reads the frame of a request, whose PDU has at least one byte. After an error the start of the next
// frame is unknown, so the connection must be ended. The error comes from r, or says that the frame is not valid.
func ReadTCPRequest(r io.Reader) (Frame, error) { return readTCP(r, 1, errRequest) }

// ReadTCPResponse reads the frame of an answer, whose PDU has at least two bytes, because each answer has a byte count,
// an address or an exception code. For a frame that is not valid, the error wraps [ErrResponse]. Everything else is as
// with [ReadTCPRequest].
func ReadTCPResponse(r io.Reader) (Frame, error) { return readTCP(r, 2, ErrResponse) }

// readTCP reads a frame whose PDU has at least the given number of bytes. For any other frame the error wraps invalid.
func readTCP(r io.Reader, least int, invalid error) (Frame, error) {
	var h [headerLen]byte
	if _, err := io.ReadFull(r, h[:]); err != nil {
		return Frame{}, err
	}
	if p := binary.BigEndian.Uint16(h[2:]); p != 0 {
		return Frame{}, fmt.Errorf("%w: protocol identifier %d instead of 0; is this a Modbus TCP port?", invalid, p)
	}
	n := int(binary.BigEndian.Uint16(h[4:])) - 1 // the unit is counted too
	if n < least || n > maxPDU {
		return Frame{}, fmt.Errorf("%w: a PDU of %d bytes, allowed are %d to %d", invalid, n, least, maxPDU)
	}
	pdu := make([]byte, n)
	if _, err := io.ReadFull(r, pdu); err != nil {
		return Frame{}, err
	}
	return Frame{Transaction: binary.BigEndian.Uint16(h[:]), Unit: h[6], PDU: pdu}, nil
}
