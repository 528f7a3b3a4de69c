package agent

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log"
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/modbustest"
)

// Function codes (MODBUS Application Protocol Specification V1.1b3, section 6).
const (
	fnReadCoils      = 1
	fnReadInputs     = 2
	fnReadHolding    = 3
	fnReadInput      = 4
	fnWriteCoil      = 5
	fnWriteRegister  = 6
	fnWriteCoils     = 15
	fnWriteRegisters = 16
)

// testServer is an agent with a real clock and a real socket.
type testServer struct {
	*Agent
	server *Server
	out    [2]*output
	at     string
}

func serve(t *testing.T, o ServerOptions) *testServer {
	t.Helper()
	a, err := New(Options{MaxInterval: 2 * time.Second})
	require.NoError(t, err)
	s := &testServer{Agent: a}
	for i, name := range []string{"box-office", "stage-door"} {
		out := &output{}
		s.out[i] = out
		_, err := a.Contact(ContactOptions{Name: name, Senses: i == 0,
			Open: func() (Output, error) { return out, nil }})
		require.NoError(t, err)
	}
	if o.AllowFrom == nil {
		o.AllowFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	}
	s.server = NewServer(a, o)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.at = l.Addr().String()
	a.Start()
	require.Empty(t, a.Ready(t.Context()))
	served := make(chan error, 1) // one result
	go func() { served <- s.server.Serve(l) }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		require.Empty(t, a.Shutdown(ctx))
		s.server.Close(ctx)
		require.NoError(t, <-served)
	})
	return s
}

// client returns a master from simonvetter/modbus, which is not our code.
func (s *testServer) client(t *testing.T) *modbus.ModbusClient {
	t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + s.at, Timeout: 2 * time.Second,
		Logger: log.New(io.Discard, "", 0)})
	require.NoError(t, err)
	require.NoError(t, c.Open())
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// eventually waits for the effect of another goroutine or process.
func eventually(t *testing.T, what string, f func() bool) {
	t.Helper()
	limit := time.NewTimer(30 * time.Second)
	defer limit.Stop()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for !f() {
		select {
		case <-tick.C:
		case <-limit.C:
			t.Fatal("waited in vain: " + what)
		}
	}
}

func TestMapByAnotherMaster(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.client(t)
	require.NoError(t, c.WriteRegisters(0, []uint16{41, 60}))
	on, err := c.ReadCoils(0, 2)
	require.NoError(t, err)
	require.Equal(t, []bool{true, false}, on)
	flows, err := c.ReadDiscreteInput(0)
	require.NoError(t, err)
	require.False(t, flows)
	eventually(t, "the timer", func() bool { return !s.out[0].isOpen() })
	eventually(t, "the state", func() bool { return s.Contacts()[0].State().Last == OutcomeDone })
	regs, err := c.ReadRegisters(0, 16, modbus.INPUT_REGISTER)
	require.NoError(t, err)
	measured := binary.BigEndian.Uint32([]byte{byte(regs[4] >> 8), byte(regs[4]), byte(regs[5] >> 8), byte(regs[5])})
	require.GreaterOrEqual(t, measured, uint32(60_000))
	require.Equal(t, []uint16{0, 41, uint16(OutcomeDone), 0}, regs[:4])
	require.EqualValues(t, 1, regs[6])
	require.Equal(t, uint16(min(measured-60_000, 65_535)), regs[7])
	require.Equal(t, make([]uint16, 8), regs[8:], "the other contact did nothing")

	require.NoError(t, c.WriteRegister(3, 2000))
	holding, err := c.ReadRegisters(0, 4, modbus.HOLDING_REGISTER)
	require.NoError(t, err)
	require.Equal(t, []uint16{41, 0, 0}, holding[:3])
	require.InDelta(t, 2000, int(holding[3]), 1000)
	require.True(t, s.out[1].isOpen())
	require.NoError(t, c.WriteCoil(1, false))
	require.False(t, s.out[1].isOpen())
	require.NoError(t, c.WriteRegister(3, 2000))
	require.NoError(t, c.WriteCoils(0, []bool{false, false}))
	require.False(t, s.out[1].isOpen())

	require.NoError(t, c.WriteRegister(1000, 1500))
	agent, err := c.ReadRegisters(1000, 7, modbus.INPUT_REGISTER)
	require.NoError(t, err)
	require.Equal(t, []uint16{1, 2, 0, 0}, agent[:4])
	require.Equal(t, []uint16{1500, 2000}, agent[5:])
	require.Equal(t, 1500*time.Millisecond, s.Watchdog())
}

// Section 7 of the MODBUS Application Protocol Specification V1.1b3 defines the exceptions. Section 6 defines which
// exception a request gets.
func TestExceptions(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.client(t)
	read := func(at, n uint16, of modbus.RegType) error { _, err := c.ReadRegisters(at, n, of); return err }
	for name, x := range map[string]struct{ want, got error }{
		"a bare on":                    {modbus.ErrIllegalDataValue, c.WriteCoil(0, true)},
		"one on among many":            {modbus.ErrIllegalDataValue, c.WriteCoils(0, []bool{false, true})},
		"a coil that is not there":     {modbus.ErrIllegalDataAddress, c.WriteCoil(2, false)},
		"one coil too many":            {modbus.ErrIllegalDataAddress, c.WriteCoils(1, []bool{false, false})},
		"too long":                     {modbus.ErrIllegalDataValue, c.WriteRegisters(0, []uint16{9, 2001})},
		"a sequence alone":             {modbus.ErrIllegalDataAddress, c.WriteRegister(0, 9)},
		"two halves":                   {modbus.ErrIllegalDataAddress, c.WriteRegisters(1, []uint16{9, 10})},
		"two contacts":                 {modbus.ErrIllegalDataAddress, c.WriteRegisters(0, []uint16{9, 10, 9, 10})},
		"no such contact":              {modbus.ErrIllegalDataAddress, c.WriteRegisters(4, []uint16{9, 10})},
		"no watchdog":                  {modbus.ErrIllegalDataValue, c.WriteRegister(1000, 0)},
		"beside the watchdog":          {modbus.ErrIllegalDataAddress, c.WriteRegister(1001, 1000)},
		"holding of no contact":        {modbus.ErrIllegalDataAddress, read(3, 2, modbus.HOLDING_REGISTER)},
		"inputs of no contact":         {modbus.ErrIllegalDataAddress, read(15, 2, modbus.INPUT_REGISTER)},
		"behind the agent's registers": {modbus.ErrIllegalDataAddress, read(1006, 2, modbus.INPUT_REGISTER)},
		"the end of the table":         {modbus.ErrIllegalDataAddress, read(65535, 1, modbus.INPUT_REGISTER)},
	} {
		require.ErrorIs(t, x.got, x.want, name)
	}
	_, err := c.ReadDiscreteInput(1)
	require.ErrorIs(t, err, modbus.ErrIllegalDataAddress, "no such input")
	_, err = c.ReadCoils(1, 2)
	require.ErrorIs(t, err, modbus.ErrIllegalDataAddress)
	require.False(t, s.out[0].isOpen() || s.out[1].isOpen())

	s.out[1].set(func() { s.out[1].getFails = io.ErrUnexpectedEOF })
	_, err = c.ReadCoils(0, 2)
	require.ErrorIs(t, err, modbus.ErrServerDeviceFailure)
	require.ErrorIs(t, c.WriteRegisters(2, []uint16{1, 100}), modbus.ErrServerDeviceFailure)
	require.NoError(t, c.WriteRegisters(0, []uint16{1, 100}), "the other line is not affected")
	s.out[1].set(func() { s.out[1].getFails = nil })
	eventually(t, "the repeated close", func() bool { return s.Contacts()[1].State().Level == relay.LevelClosed })
}

// raw returns a plain connection, for requests that no library sends.
func (s *testServer) raw(t *testing.T) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", s.at)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(5*time.Second)))
	return c
}

// away checks that a new connection gets no answer.
func (s *testServer) away(t *testing.T) {
	t.Helper()
	c, err := net.Dial("tcp", s.at)
	if err != nil {
		return // reset before Dial had returned
	}
	defer c.Close()
	require.NoError(t, c.SetDeadline(time.Now().Add(5*time.Second)))
	_, _ = c.Write(request(1, fnWriteRegister, 0, 1, 7, 0xD0)) // the connection may have ended already
	ended(t, c)
}

func request(txn uint16, pdu ...byte) []byte { return modbustest.TCP(txn, 9, pdu...) }

func TestRequestsSentAhead(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.raw(t)
	var all []byte
	for i := range uint16(100) {
		all = append(all, request(i, fnReadCoils, 0, 0, 0, 2)...)
	}
	all = append(all, request(100, fnWriteRegister, 0, 1, 7, 0xD0)...) // 2 s
	all = append(all, request(101, fnWriteCoil, 0, 0, 0, 0)...)
	all = append(all, request(102, 0x2B, 14, 1, 0)...)
	all = append(all, request(103, fnReadCoils, 0, 0, 0, 0)...)
	all = append(all, request(104, fnReadCoils, 0, 0, 7, 0xD1)...) // 2001
	all = append(all, request(105, fnReadInput, 0, 0, 0, 126)...)
	for _, b := range all { // byte by byte
		_, err := c.Write([]byte{b})
		require.NoError(t, err)
	}
	for i := range uint16(106) {
		f, err := modbustest.ReadTCP(c)
		require.NoError(t, err)
		require.Equal(t, i, f.Transaction)
		require.EqualValues(t, 9, f.Unit)
		switch i {
		case 100, 101:
			require.Len(t, f.PDU, 5)
		case 102:
			require.Equal(t, []byte{0x2B | 0x80, 1}, f.PDU)
		case 103, 104:
			require.Equal(t, []byte{fnReadCoils | 0x80, 3}, f.PDU, "section 6.1: 1 to 2000")
		case 105:
			require.Equal(t, []byte{fnReadInput | 0x80, 3}, f.PDU, "section 6.4: 1 to 125")
		default:
			require.Equal(t, []byte{fnReadCoils, 1, 0}, f.PDU)
		}
	}
	require.Len(t, s.out[0].lengths(), 1)
}

func ended(t *testing.T, c net.Conn) {
	t.Helper()
	_, err := c.Read(make([]byte, 1))
	require.Error(t, err)
	require.NotErrorIs(t, err, context.DeadlineExceeded)
	var timeout net.Error
	require.False(t, errors.As(err, &timeout) && timeout.Timeout(), "still open: %v", err)
}

func TestConnectionsThatAreEnded(t *testing.T) {
	s := serve(t, ServerOptions{Idle: 60 * time.Millisecond, Slow: 30 * time.Millisecond})
	for name, sent := range map[string][]byte{
		"idle": nil, "half a header": {0, 1, 0}, "half a request": request(1, fnReadCoils, 0, 0, 0, 2)[:9],
		"another protocol": []byte("GET / HTTP/1.1\r\n\r\n"),
		"protocol 1":       append([]byte{0, 1, 0, 1}, request(1, fnReadCoils, 0, 0, 0, 2)[4:]...),
		"no length":        {0, 1, 0, 0, 0, 1, 1}, "too long": {0, 1, 0, 0, 1, 0, 1},
	} {
		t.Run(name, func(t *testing.T) {
			c := s.raw(t)
			_, err := c.Write(sent)
			require.NoError(t, err)
			ended(t, c)
		})
	}
}

func TestOnlyConfiguredPeers(t *testing.T) {
	s := serve(t, ServerOptions{AllowFrom: []netip.Prefix{netip.MustParsePrefix("127.0.0.2/32")}})
	s.away(t)
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	friend, err := d.Dial("tcp", s.at)
	require.NoError(t, err)
	defer friend.Close()
	_, err = friend.Write(request(1, fnReadCoils, 0, 0, 0, 2))
	require.NoError(t, err)
	_, err = modbustest.ReadTCP(friend)
	require.NoError(t, err)
	require.Empty(t, s.out[0].lengths())
	require.False(t, s.out[0].isOpen())
}

func TestDeadConnectionsGiveWay(t *testing.T) {
	s := serve(t, ServerOptions{MaxConnections: 2})
	require.NoError(t, s.SetWatchdog(LeastWatchdog))
	first, second := s.raw(t), s.raw(t)
	ask := func(c net.Conn) error {
		if _, err := c.Write(request(1, fnReadCoils, 0, 0, 0, 2)); err != nil {
			return err
		}
		_, err := modbustest.ReadTCP(c)
		return err
	}
	require.NoError(t, ask(first))
	require.NoError(t, ask(second))
	s.away(t) // both connections were active just now
	eventually(t, "room", func() bool {
		require.NoError(t, ask(second))
		c, err := net.Dial("tcp", s.at)
		if err != nil {
			return false
		}
		defer c.Close()
		return ask(c) == nil
	})
	ended(t, first)
	require.NoError(t, ask(second))
}

// A request that was sent while the agent stood still opens nothing, and its master must reconnect.
func TestStandstill(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.raw(t)
	_, err := c.Write(request(1, fnReadCoils, 0, 0, 0, 2))
	require.NoError(t, err)
	_, err = modbustest.ReadTCP(c)
	require.NoError(t, err)
	before := s.StandstillCount()
	s.standstill.mu.Lock() // so that the agent does not read the clock during the change
	s.standstill.seen = s.standstill.seen.Add(-2 * minStandstill)
	_, err = c.Write(request(2, fnWriteRegister, 0, 1, 7, 0xD0))
	s.standstill.mu.Unlock()
	require.NoError(t, err)
	ended(t, c)
	require.Empty(t, s.out[0].moves)
	require.NotEqual(t, before, s.StandstillCount())
	s.away(t) // connections that waited to be accepted are reset too
	eventually(t, "a new beginning", func() bool {
		n, err := net.Dial("tcp", s.at)
		if err != nil {
			return false
		}
		defer n.Close()
		if _, err := n.Write(request(3, fnWriteRegister, 0, 1, 0, 1)); err != nil {
			return false
		}
		_, err = modbustest.ReadTCP(n)
		return err == nil
	})
}

// A standstill counts even if only a request's own check of the clock detects it.
func TestStandstillFoundByARequest(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.raw(t)
	_, err := c.Write(request(1, fnReadCoils, 0, 0, 0, 2))
	require.NoError(t, err)
	_, err = modbustest.ReadTCP(c)
	require.NoError(t, err)
	s.standstill.mu.Lock()
	s.standstill.count++
	s.standstill.mu.Unlock()
	_, err = c.Write(request(2, fnWriteRegister, 0, 1, 7, 0xD0))
	require.NoError(t, err)
	ended(t, c)
	require.Empty(t, s.out[0].moves)
}

// A master that sends requests is not silent.
func TestReadingFeedsTheWatchdog(t *testing.T) {
	s := serve(t, ServerOptions{})
	require.NoError(t, s.SetWatchdog(LeastWatchdog))
	c := s.client(t)
	require.NoError(t, c.WriteRegister(1, 300))
	eventually(t, "the end", func() bool {
		regs, err := c.ReadRegisters(2, 1, modbus.INPUT_REGISTER)
		require.NoError(t, err)
		return regs[0] != uint16(OutcomeOpen)
	})
	require.Equal(t, OutcomeDone, s.Contacts()[0].State().Last)
}

func TestMasterVanishes(t *testing.T) {
	s := serve(t, ServerOptions{})
	c := s.raw(t)
	_, err := c.Write(append(request(1, fnWriteRegister, 3, 0xE8, 0, 100),
		request(2, fnWriteRegisters, 0, 0, 0, 2, 4, 0, 7, 0, 80)...))
	require.NoError(t, err)
	for range 2 {
		_, err = modbustest.ReadTCP(c)
		require.NoError(t, err)
	}
	require.NoError(t, c.Close())
	eventually(t, "the timer", func() bool { return s.Contacts()[0].State().Last == OutcomeDone })
	require.GreaterOrEqual(t, s.Contacts()[0].State().Measured, 80*ms)
}
