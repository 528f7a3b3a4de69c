package codec

import "fmt"

// Exception is the code with which a device refuses a request.
type Exception uint8

// The codes of section 7 of the application protocol. A device may use others.
const (
	IllegalFunction        Exception = 1
	IllegalDataAddress     Exception = 2
	IllegalDataValue       Exception = 3
	DeviceFailure          Exception = 4 // the device failed while it carried out the request
	Acknowledge            Exception = 5 // the request is still being carried out
	DeviceBusy             Exception = 6
	MemoryParityError      Exception = 8
	GatewayPathUnavailable Exception = 10
	GatewayTargetSilent    Exception = 11
)

var exceptionNames = map[Exception]string{
	IllegalFunction:        "illegal function",
	IllegalDataAddress:     "illegal data address",
	IllegalDataValue:       "illegal data value",
	DeviceFailure:          "device failure",
	Acknowledge:            "acknowledge, still processing",
	DeviceBusy:             "device busy",
	MemoryParityError:      "memory parity error",
	GatewayPathUnavailable: "gateway path unavailable",
	GatewayTargetSilent:    "gateway target gave no answer",
}

// Error returns the code with a short form of its name.
func (e Exception) Error() string {
	if n, ok := exceptionNames[e]; ok {
		return fmt.Sprintf("modbus: exception %d (%s)", uint8(e), n)
	}
	return fmt.Sprintf("modbus: exception %d", uint8(e))
}

// exceptionBit is set in the function code of an answer that is an exception.
const exceptionBit = 0x80

// Response returns the answer that refuses a request with the function f. That function need not exist.
func (e Exception) Response(f Function) Response { return Response{byte(f) | exceptionBit, byte(e)} }
