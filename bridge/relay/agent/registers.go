package agent

import (
	"encoding/binary"
	"errors"
	"math"
	"time"

	"clearback/bridge/relay"
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
func (a *Agent) answer(m *Master, pdu []byte) []byte {
	m.Heard()
	out, err := a.execute(m, pdu)
	if err == nil {
		return out
	}
	var e exception
	if !errors.As(err, &e) {
		e = exceptionOf(err)
	}
	return []byte{pdu[0] | 0x80, byte(e)}
}

func (a *Agent) execute(m *Master, pdu []byte) ([]byte, error) {
	switch pdu[0] {
	case fnReadCoils:
		return a.readBits(pdu, func(c *Contact) (bool, error) {
			level, err := c.Read()
			return level == relay.LevelOpen, err
		})
	case fnReadInputs:
		return a.readBits(pdu, (*Contact).Current)
	case fnReadHolding:
		return readRegisters(pdu, a.holding)
	case fnReadInput:
		return readRegisters(pdu, a.input)
	case fnWriteCoil:
		return a.writeCoil(m, pdu)
	case fnWriteCoils:
		return a.writeCoils(m, pdu)
	case fnWriteRegister:
		return a.writeRegister(m, pdu)
	case fnWriteRegisters:
		return a.writeRegisters(m, pdu)
	default:
		return nil, illegalFunction
	}
}

// exceptionOf returns the exception code for the error of a command (application protocol, section 7).
func exceptionOf(err error) exception {
	switch {
	case errors.Is(err, relay.ErrNoSense):
		return illegalAddress
	case errors.Is(err, ErrTooLong), errors.Is(err, ErrOptions):
		return illegalValue
	case errors.Is(err, ErrStopping), errors.Is(err, ErrOvertaken), errors.Is(err, ErrTooSoon):
		return deviceBusy
	default:
		return deviceFailure
	}
}

func (a *Agent) readBits(pdu []byte, of func(*Contact) (bool, error)) ([]byte, error) {
	s, err := readSpan(pdu, mostBits)
	if err := errors.Join(err, exactly(pdu, 5)); err != nil {
		return nil, err
	}
	if err := s.within(len(a.contacts)); err != nil {
		return nil, err
	}
	out := make([]byte, 2+(s.n+7)/8)
	out[0], out[1] = pdu[0], byte(len(out)-2)
	for i := range s.n {
		on, err := of(a.contacts[s.from+i])
		if err != nil {
			return nil, err
		}
		if on {
			out[2+i/8] |= 1 << (i % 8)
		}
	}
	return out, nil
}

func readRegisters(pdu []byte, of func(address int) (uint16, bool)) ([]byte, error) {
	s, err := readSpan(pdu, mostRegisters)
	if err := errors.Join(err, exactly(pdu, 5)); err != nil {
		return nil, err
	}
	out := append(make([]byte, 0, 2+2*s.n), pdu[0], byte(2*s.n))
	for i := range s.n {
		v, ok := of(s.from + i)
		if !ok {
			return nil, illegalAddress
		}
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return out, nil
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
func (a *Agent) writeCoil(m *Master, pdu []byte) ([]byte, error) {
	if err := exactly(pdu, 5); err != nil {
		return nil, err
	}
	address := span{int(binary.BigEndian.Uint16(pdu[1:])), 1}
	if binary.BigEndian.Uint16(pdu[3:]) != 0 {
		return nil, illegalValue
	}
	if err := address.within(len(a.contacts)); err != nil {
		return nil, err
	}
	if err := a.contacts[address.from].Close(m); err != nil {
		return nil, err
	}
	return pdu, nil
}

func (a *Agent) writeCoils(m *Master, pdu []byte) ([]byte, error) {
	s, err := readSpan(pdu, mostWriteBits)
	if err != nil {
		return nil, err
	}
	bytes := (s.n + 7) / 8
	if len(pdu) != 6+bytes || int(pdu[5]) != bytes {
		return nil, illegalValue
	}
	if err := s.within(len(a.contacts)); err != nil {
		return nil, err
	}
	for i := range s.n {
		if pdu[6+i/8]>>(i%8)&1 == 1 {
			return nil, illegalValue
		}
	}
	var failed error
	for i := range s.n { // all of them, even if one fails
		failed = errors.Join(failed, a.contacts[s.from+i].Close(m))
	}
	if failed != nil {
		return nil, failed
	}
	return pdu[:5], nil
}

func (a *Agent) writeRegister(m *Master, pdu []byte) ([]byte, error) {
	if err := exactly(pdu, 5); err != nil {
		return nil, err
	}
	address, v := int(binary.BigEndian.Uint16(pdu[1:])), binary.BigEndian.Uint16(pdu[3:])
	if err := a.write(m, address, v); err != nil {
		return nil, err
	}
	return pdu, nil
}

// write writes one register: the watchdog, or the milliseconds of a contact.
func (a *Agent) write(m *Master, address int, v uint16) error {
	ms := time.Duration(v) * time.Millisecond
	i, which := address/holdingEach, address%holdingEach
	switch {
	case address == agentHolding:
		return a.SetWatchdog(ms)
	case i >= len(a.contacts) || which == 0: // a sequence alone is half a command
		return illegalAddress
	default:
		return a.contacts[i].Pulse(m, Command{Plain: true, For: ms})
	}
}

func (a *Agent) writeRegisters(m *Master, pdu []byte) ([]byte, error) {
	s, err := readSpan(pdu, mostWriteRegisters)
	if err != nil {
		return nil, err
	}
	if len(pdu) != 6+2*s.n || int(pdu[5]) != 2*s.n {
		return nil, illegalValue
	}
	first := binary.BigEndian.Uint16(pdu[6:])
	switch i := s.from / holdingEach; {
	case s.n == 1:
		err = a.write(m, s.from, first)
	case s.n == holdingEach && s.from%holdingEach == 0 && i < len(a.contacts):
		ms := time.Duration(binary.BigEndian.Uint16(pdu[8:])) * time.Millisecond
		err = a.contacts[i].Pulse(m, Command{Seq: uint32(first), For: ms})
	default:
		err = illegalAddress
	}
	if err != nil {
		return nil, err
	}
	return pdu[:5], nil
}

// opens reports whether a request would open a loop.
func opens(pdu []byte) bool {
	switch {
	case pdu[0] == fnWriteRegister && len(pdu) == 5, pdu[0] == fnWriteRegisters && len(pdu) >= 8:
		return binary.BigEndian.Uint16(pdu[1:]) != agentHolding && binary.BigEndian.Uint16(pdu[len(pdu)-2:]) != 0
	default:
		return false
	}
}
