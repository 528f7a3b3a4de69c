package modbus

import "time"

// MODBUS over Serial Line Specification and Implementation Guide V1.02, sections 2.5.1 and 2.5.1.1.
const (
	// charBits is the length of a character: start, 8 data, parity or second stop, stop. For a shorter character a wait
	// is slightly too long.
	charBits = 11
	fastBaud = 19_200 // above this speed the silence between frames is fixed
	fastGap  = 1750 * time.Microsecond
)

// charTime returns how long n characters take.
func charTime(n, baud int) time.Duration {
	return time.Duration(n) * charBits * time.Second / time.Duration(baud)
}

// frameGap returns the silence between two frames: 3.5 characters.
func frameGap(baud int) time.Duration {
	if baud > fastBaud {
		return fastGap
	}
	return charTime(7, baud) / 2
}
