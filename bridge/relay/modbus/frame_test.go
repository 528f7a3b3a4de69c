package modbus

import (
	"bytes"
	"encoding/hex"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// Source: MODBUS Application Protocol Specification V1.1b3, the worked examples of sections 6.1, 6.2, 6.5, 6.6 and 7.
func TestPublishedPDUs(t *testing.T) {
	for _, c := range []struct {
		section string
		got     []byte
		want    string
		answer  string
		err     error
	}{
		{"6.1", readCoils(0x13, 19), "01 00 13 00 13", "01 03 CD 6B 05", nil},
		{"6.2", readInputs(0xC4, 22), "02 00 C4 00 16", "02 03 AC DB 35", nil},
		{"6.5", writeCoil(0xAC, true), "05 00 AC FF 00", "05 00 AC FF 00", nil},
		{"6.5, off", writeCoil(0xAC, false), "05 00 AC 00 00", "05 00 AC 00 00", nil},
		{"6.6", writeRegister(1, 3), "06 00 01 00 03", "06 00 01 00 03", nil},
		{"7", readCoils(0x4A1, 1), "01 04 A1 00 01", "81 02", Exception(2)},
	} {
		require.Equal(t, unhex(t, c.want), c.got, c.section)
		require.Equal(t, c.err, checkAnswer(c.got, unhex(t, c.answer)), c.section)
	}
}

// Source: the same, section 6.1. Outputs 27-20 are CD, which is 1100 1101 with output 27 at the left. Outputs 38-36 are
// the low bits of 05.
func TestPublishedBits(t *testing.T) {
	a := unhex(t, "01 03 CD 6B 05")
	var got strings.Builder
	for i := range 19 {
		if bit(a, i) {
			got.WriteByte('1')
		} else {
			got.WriteByte('0')
		}
	}
	require.Equal(t, "10110011"+"11010110"+"101", got.String())
}

// Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: transaction, protocol 0, length of unit
// and PDU, unit.
func TestPublishedFrame(t *testing.T) {
	require.Equal(t, unhex(t, "00 01 00 00 00 06 01 01 00 13 00 13"), appendFrame(nil, 1, 1, readCoils(0x13, 19)))
	raw := unhex(t, "00 01 00 00 00 06 01 01 03 CD 6B 05")
	for name, r := range map[string]io.Reader{"whole": bytes.NewReader(raw),
		"a byte at a time": iotest.OneByteReader(bytes.NewReader(raw))} {
		txn, unit, pdu, err := readFrame(r)
		require.NoError(t, err, name)
		require.Equal(t, []any{uint16(1), byte(1), raw[7:]}, []any{txn, unit, pdu}, name)
	}
}

// Source: the same guide, section 3.1.3 (lengths, protocol identifier), and the application protocol, section 4.1 (a
// PDU has at most 253 bytes).
func TestBadFrames(t *testing.T) {
	for name, s := range map[string]string{
		"another protocol": "00 01 00 07 00 06 01 01 03 CD 6B 05",
		"nothing in it":    "00 01 00 00 00 01 01",
		"one byte":         "00 01 00 00 00 02 01 05",
		"too long":         "00 01 00 00 00 FF 01 05",
		"an HTTP server":   hex.EncodeToString([]byte("HTTP/1.1 400 Bad Request")),
	} {
		_, _, _, err := readFrame(bytes.NewReader(unhex(t, s)))
		require.ErrorIs(t, err, ErrProtocol, name)
	}
	_, _, _, err := readFrame(bytes.NewReader(unhex(t, "00 01 00 00 00 06 01 01")))
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

func TestBadAnswers(t *testing.T) {
	for name, c := range map[string]struct {
		request []byte
		answer  string
	}{
		"another function":          {writeCoil(3, true), "06 00 03 FF 00"},
		"another coil":              {writeCoil(3, true), "05 00 04 FF 00"},
		"another level":             {writeCoil(3, true), "05 00 03 00 00"},
		"echo cut short":            {writeCoil(3, true), "05 00 03 FF"},
		"another value":             {writeRegister(1, 3), "06 00 01 00 04"},
		"no bits":                   {readCoils(0, 1), "01 00"},
		"too few bits":              {readCoils(0, 9), "01 01 01"},
		"count and bytes differ":    {readCoils(0, 1), "01 02 01"},
		"exception, too long":       {readCoils(0, 1), "81 02 00"},
		"exception of another kind": {readCoils(0, 1), "85 02"},
	} {
		require.ErrorIs(t, checkAnswer(c.request, unhex(t, c.answer)), ErrProtocol, name)
	}
}

// Source: application protocol V1.1b3, section 7, the table of exception codes. The test says which of them leave it
// unknown whether anything was done.
func TestExceptionsThatSayNothingWasDone(t *testing.T) {
	for code, want := range map[Exception]bool{1: true, 2: true, 3: true, 4: false, 5: false, 6: true, 8: false,
		10: true, 11: false, 99: false} {
		require.Equal(t, want, code.nothingDone(), code.Error())
	}
	require.Contains(t, Exception(6).Error(), "busy")
	require.Contains(t, Exception(99).Error(), "99")
}

// FuzzFrames checks that reading and checking arbitrary bytes neither panics nor accepts an impossible answer.
func FuzzFrames(f *testing.F) {
	f.Add([]byte{0, 1, 0, 0, 0, 6, 1, 1, 3, 0xCD, 0x6B, 5})
	f.Add([]byte{0, 1, 0, 0, 0, 3, 1, 0x81, 2})
	f.Fuzz(func(t *testing.T, b []byte) {
		_, _, pdu, err := readFrame(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, request := range [][]byte{readCoils(0, 1), readInputs(0, 2000), writeCoil(0, true),
			writeRegister(0, 1)} {
			var e Exception
			if err := checkAnswer(request, pdu); err == nil && request[0] < 5 {
				bit(pdu, int(request[3])<<8|int(request[4])-1)
			} else if err != nil && !errors.As(err, &e) && !errors.Is(err, ErrProtocol) {
				t.Fatal(err)
			}
		}
	})
}
