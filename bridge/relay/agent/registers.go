package agent

import (
	"errors"
	"math"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/codec"
)

// The register map; the package comment has the table.
const (
	mapVersion   = 1
	holdingEach  = 2 // holding registers per contact
	inputEach    = 8 // input registers per contact
	agentHolding = 1000
	agentInputs  = 1000
)

// answer carries out one request of a master and returns the answer's PDU.
func (a *Agent) answer(m *Master, pdu []byte) codec.Response {
	m.Heard()
	out, err := a.execute(m, pdu)
	if err == nil {
		return out
	}
	var e codec.Exception
	if !errors.As(err, &e) {
		e = exceptionOf(err)
	}
	return e.Response(codec.Function(pdu[0]))
}

func (a *Agent) execute(m *Master, pdu []byte) (codec.Response, error) {
	r, err := codec.ParseRequest(pdu)
	if err != nil {
		return nil, err
	}
	switch r.Function() {
	case codec.ReadCoils:
		return a.readBits(r, func(c *Contact) (bool, error) {
			level, err := c.Read()
			return level == relay.LevelOpen, err
		})
	case codec.ReadDiscreteInputs:
		return a.readBits(r, (*Contact).Current)
	case codec.ReadHoldingRegisters:
		return readRegisters(r, a.holding)
	case codec.ReadInputRegisters:
		return readRegisters(r, a.input)
	case codec.WriteSingleCoil:
		err = a.writeCoil(m, r)
	case codec.WriteMultipleCoils:
		err = a.writeCoils(m, r)
	case codec.WriteSingleRegister, codec.WriteMultipleRegisters:
		err = a.writeRegisters(m, r)
	default:
		return nil, codec.IllegalFunction
	}
	return r.Written(), err
}

// exceptionOf returns the exception code for the error of a command (application protocol, section 7).
func exceptionOf(err error) codec.Exception {
	switch {
	case errors.Is(err, relay.ErrNoSense):
		return codec.IllegalDataAddress
	case errors.Is(err, ErrTooLong), errors.Is(err, ErrOptions):
		return codec.IllegalDataValue
	case errors.Is(err, ErrStopping), errors.Is(err, ErrOvertaken), errors.Is(err, ErrTooSoon):
		return codec.DeviceBusy
	default:
		return codec.DeviceFailure
	}
}

// addressed returns the contacts that a request for coils or inputs addresses.
func (a *Agent) addressed(r codec.Request) ([]*Contact, error) {
	end := r.Address() + r.Quantity()
	if end > len(a.contacts) {
		return nil, codec.IllegalDataAddress
	}
	return a.contacts[r.Address():end], nil
}

func (a *Agent) readBits(r codec.Request, of func(*Contact) (bool, error)) (codec.Response, error) {
	contacts, err := a.addressed(r)
	if err != nil {
		return nil, err
	}
	on := make([]bool, len(contacts))
	for i, c := range contacts {
		if on[i], err = of(c); err != nil {
			return nil, err
		}
	}
	return r.ReadBits(on), nil
}

func readRegisters(r codec.Request, of func(address int) (uint16, bool)) (codec.Response, error) {
	values := make([]uint16, r.Quantity())
	for i := range values {
		v, ok := of(r.Address() + i)
		if !ok {
			return nil, codec.IllegalDataAddress
		}
		values[i] = v
	}
	return r.ReadRegisters(values), nil
}

func (a *Agent) holding(address int) (uint16, bool) {
	if address == agentHolding {
		return millis(a.Watchdog()), true
	}
	i, which := address/holdingEach, address%holdingEach
	if i >= len(a.contacts) {
		return 0, false
	}
	s := a.contacts[i].State()
	return [holdingEach]uint16{uint16(s.Seq), millis(s.Left)}[which], true
}

func (a *Agent) input(address int) (uint16, bool) {
	if address >= agentInputs {
		up := uint32(a.Uptime() / time.Second)
		all := [...]uint16{mapVersion, uint16(len(a.contacts)), uint16(a.Health()), uint16(up >> 16), uint16(up),
			millis(a.Watchdog()), millis(a.MaxInterval())}
		if address -= agentInputs; address >= len(all) {
			return 0, false
		}
		return all[address], true
	}
	i, which := address/inputEach, address%inputEach
	if i >= len(a.contacts) {
		return 0, false
	}
	s := a.contacts[i].State()
	long := uint32(min(s.Measured.Microseconds(), math.MaxUint32))
	return [inputEach]uint16{
		levelNumber(s.Level), uint16(s.Seq), uint16(s.Last), millis(s.Left), uint16(long >> 16), uint16(long),
		uint16(s.Pulses),
		uint16(min(max(0, s.Late.Microseconds()), math.MaxUint16)),
	}[which], true
}

func levelNumber(l relay.Level) uint16 {
	switch l {
	case relay.LevelClosed:
		return 0
	case relay.LevelOpen:
		return 1
	default:
		return 2
	}
}

// millis rounds up, so that an opening under way never shows 0 ms.
func millis(d time.Duration) uint16 {
	return uint16(min((d+time.Millisecond-1)/time.Millisecond, math.MaxUint16))
}

// writeCoil closes a contact. An "on" is refused, because it carries no time that would end the opening.
func (a *Agent) writeCoil(m *Master, r codec.Request) error {
	if r.Coil(0) {
		return codec.IllegalDataValue
	}
	contacts, err := a.addressed(r)
	if err != nil {
		return err
	}
	return contacts[0].Close(m)
}

func (a *Agent) writeCoils(m *Master, r codec.Request) error {
	contacts, err := a.addressed(r)
	if err != nil {
		return err
	}
	for i := range contacts {
		if r.Coil(i) {
			return codec.IllegalDataValue
		}
	}
	var failed error
	for _, c := range contacts { // all of them, even if one fails
		failed = errors.Join(failed, c.Close(m))
	}
	return failed
}

func (a *Agent) writeRegisters(m *Master, r codec.Request) error {
	switch i := r.Address() / holdingEach; {
	case r.Quantity() == 1:
		return a.write(m, r.Address(), r.Register(0))
	case r.Quantity() == holdingEach && r.Address()%holdingEach == 0 && i < len(a.contacts):
		ms := time.Duration(r.Register(1)) * time.Millisecond
		return a.contacts[i].Pulse(m, Command{Seq: uint32(r.Register(0)), For: ms})
	default:
		return codec.IllegalDataAddress
	}
}

// write writes one register: the watchdog, or the milliseconds of a contact.
func (a *Agent) write(m *Master, address int, v uint16) error {
	ms := time.Duration(v) * time.Millisecond
	i, which := address/holdingEach, address%holdingEach
	switch {
	case address == agentHolding:
		return a.SetWatchdog(ms)
	case i >= len(a.contacts) || which == 0: // a sequence alone is half a command
		return codec.IllegalDataAddress
	default:
		return a.contacts[i].Pulse(m, Command{Plain: true, For: ms})
	}
}

// opens reports whether a request would open a loop.
func opens(pdu []byte) bool {
	r, err := codec.ParseRequest(pdu)
	if err != nil {
		return false
	}
	switch r.Function() {
	case codec.WriteSingleRegister, codec.WriteMultipleRegisters:
		return r.Address() != agentHolding && r.Register(r.Quantity()-1) != 0
	default:
		return false
	}
}
