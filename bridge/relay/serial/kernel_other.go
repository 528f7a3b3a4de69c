//go:build !linux

package serial

import "errors"

func openPort(string, bool) (port, lines, error) {
	return nil, lines{}, errors.New("control lines are supported on Linux only")
}
