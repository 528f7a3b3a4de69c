package codec

import (
	"bytes"
	"errors"
	"testing"

	"clearback/bridge/relay/modbus/modbustest"
)

// FuzzFrames checks that reading and checking arbitrary bytes neither panics nor accepts an impossible answer, and that
// package modbustest reads the same frames.
func FuzzFrames(f *testing.F) {
	f.Add([]byte{0, 1, 0, 0, 0, 6, 1, 1, 3, 0xCD, 0x6B, 5})
	f.Add([]byte{0, 1, 0, 0, 0, 3, 1, 0x81, 2})
	f.Add([]byte{0, 1, 0, 0, 0, 2, 1, 7})
	f.Fuzz(func(t *testing.T, b []byte) {
		asked, err := ReadTCPRequest(bytes.NewReader(b))
		other, otherErr := modbustest.ReadTCP(bytes.NewReader(b))
		if (err == nil) != (otherErr == nil) || err == nil && (asked.Transaction != other.Transaction ||
			asked.Unit != other.Unit || !bytes.Equal(asked.PDU, other.PDU)) {
			t.Fatalf("%v, %v; %v, %v", asked, err, other, otherErr)
		}
		answer, err := ReadTCPResponse(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, request := range []Request{Read(ReadCoils, 0, 1), Read(ReadDiscreteInputs, 0, 2000),
			Read(ReadHoldingRegisters, 0, 125), WriteCoil(0, true), WriteRegister(0, 1), WriteRegisters(0, 1)} {
			var e Exception
			p, err := request.ParseResponse(answer.PDU)
			switch {
			case err != nil && !errors.As(err, &e) && !errors.Is(err, ErrResponse):
				t.Fatal(err)
			case err != nil:
			case request.Function() == ReadHoldingRegisters:
				p.Register(request.Quantity() - 1)
			case request.Function().IsRead():
				p.Bit(request.Quantity() - 1)
			}
		}
	})
}

// FuzzRequests checks that all parts of a request that a device accepts can be read, and that the master accepts the
// answers that the device makes.
func FuzzRequests(f *testing.F) {
	f.Add([]byte{1, 0, 0, 0, 9})
	f.Add([]byte{4, 0, 0, 0, 125})
	f.Add([]byte{5, 0, 0, 0xFF, 0})
	f.Add([]byte{6, 0, 0, 1, 2})
	f.Add([]byte{15, 0, 0, 0, 9, 2, 0xFF, 1})
	f.Add([]byte{16, 0, 0, 0, 1, 2, 3, 4})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) == 0 {
			return // a frame has at least a function
		}
		r, err := ParseRequest(b)
		if err != nil {
			if err != IllegalFunction && err != IllegalDataValue {
				t.Fatal(err)
			}
			return
		}
		n := r.Quantity()
		if len(b) > maxPDU || n < 1 || n > MaxReadBits {
			t.Fatalf("%d bytes, quantity %d", len(b), n)
		}
		answer := r.Written()
		switch r.Function() {
		case ReadCoils, ReadDiscreteInputs:
			answer = r.ReadBits(make([]bool, n))
		case ReadHoldingRegisters, ReadInputRegisters:
			answer = r.ReadRegisters(make([]uint16, n))
		case WriteSingleCoil, WriteMultipleCoils:
			r.Coil(n - 1)
		default:
			r.Register(n - 1)
		}
		if _, err := r.ParseResponse(answer); err != nil || len(answer) > maxPDU {
			t.Fatalf("% x answered with % x: %v", b, []byte(answer), err)
		}
	})
}

// FuzzFindRTUResponse checks that in arbitrary bytes only a frame with the right unit, function and checksum is found.
func FuzzFindRTUResponse(f *testing.F) {
	f.Add([]byte{1, 5, 0, 3, 0, 0, 0x3D, 0xCA})
	f.Add(append([]byte{0}, modbustest.RTU(1, 1, 0, 0, 0, 1)...))
	f.Add(append(modbustest.RTU(2, 1, 1, 1), modbustest.RTU(1, 0x85, 2)...))
	f.Fuzz(func(t *testing.T, b []byte) {
		pdu, rest := FindRTUResponse(b, 1, WriteSingleCoil)
		if len(rest) > len(b) || string(b[len(b)-len(rest):]) != string(rest) {
			t.Fatal("the rest is not the end of the input")
		}
		if pdu == nil {
			return
		}
		if pdu[0]&^0x80 != 5 || !bytes.Contains(rest, modbustest.RTU(1, pdu...)) {
			t.Fatalf("% x in % x", pdu, rest)
		}
		_, _ = WriteCoil(3, false).ParseResponse(pdu) // must not panic
	})
}
