package modbus

import "clearback/bridge/relay/modbus/modbustest"

// The requests that the tests expect, and answers that repeat them (application protocol V1.1b3, sections 6.1, 6.3,
// 6.5, 6.6 and 6.12). They do not come from package codec, which the driver uses.

func readCoils(address, n uint16) []byte { return modbustest.PDU(1, address, n) }

func readRegisters(address, n uint16) []byte { return modbustest.PDU(3, address, n) }

func writeCoil(address uint16, on bool) []byte {
	level := uint16(0)
	if on {
		level = 0xFF00
	}
	return modbustest.PDU(5, address, level)
}

func writeRegister(address, value uint16) []byte { return modbustest.PDU(6, address, value) }

func writePair(address, first, second uint16) []byte {
	return append(append(modbustest.PDU(16, address, 2), 4), byte(first>>8), byte(first), byte(second>>8), byte(second))
}
