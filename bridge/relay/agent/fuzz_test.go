package agent

import (
	"bytes"
	"testing"
	"time"

	"clearback/bridge/relay/modbus/codec"
	"clearback/bridge/relay/modbus/modbustest"
)

// FuzzServer sends arbitrary bytes to the server. The server must never panic and must answer every complete request
// with one frame. No sequence of requests may keep a loop open for longer than max_interval.
func FuzzServer(f *testing.F) {
	f.Add(request(1, fnWriteRegister, 0, 1, 0, 1))
	f.Add(append(request(1, fnWriteRegisters, 0, 0, 0, 2, 4, 0, 7, 0, 3), request(2, fnWriteCoil, 0, 0, 0, 0)...))
	f.Add(request(3, fnWriteCoils, 0, 0, 0, 2, 1, 0))
	f.Add(append(request(4, fnReadInput, 0, 0, 0, 16), request(5, fnReadHolding, 3, 0xE8, 0, 1)...))
	f.Add(append(request(6, fnReadCoils, 0, 0, 0, 2), request(7, fnReadInputs, 0, 0, 0, 1)...))
	f.Add([]byte("GET / HTTP/1.1\r\n\r\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		const most = 3 * time.Millisecond
		a, err := New(Options{MaxInterval: most})
		if err != nil {
			t.Fatal(err)
		}
		var out [2]output
		for i := range out {
			if _, err := a.Contact(ContactOptions{Name: string(rune('a' + i)), Senses: i == 0,
				Open: func() (Output, error) { return &out[i], nil }}); err != nil {
				t.Fatal(err)
			}
		}
		a.Start()
		a.Ready(t.Context())
		m, r := NewMaster("anybody"), bytes.NewReader(data)
		for {
			q, err := codec.ReadTCPRequest(r)
			if err != nil {
				break
			}
			fn, asked := q.PDU[0], bytes.Clone(q.PDU)
			q.PDU = a.answer(m, q.PDU)
			back, err := modbustest.ReadTCP(bytes.NewReader(codec.AppendTCP(nil, q)))
			p := back.PDU
			switch {
			case err != nil || back.Transaction != q.Transaction || back.Unit != q.Unit:
				t.Fatalf("% x answered with % x: %v", asked, q.PDU, err)
			case p[0] == fn|0x80 && len(p) != 2, p[0] != fn && p[0] != fn|0x80:
				t.Fatalf("function %d answered with % x", fn, p)
			}
		}
		if left := a.Shutdown(t.Context()); len(left) > 0 {
			t.Fatalf("not closed: %v", left)
		}
		for i := range out {
			for _, length := range out[i].lengths() {
				if length > most+slowSet { // slowSet allows for a busy machine
					t.Fatalf("open for %v", length)
				}
			}
		}
	})
}
