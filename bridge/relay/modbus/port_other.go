//go:build !linux

package modbus

import (
	"errors"
	"os"
)

type port struct{ *os.File }

func openPort(*BusOptions) (*port, error) {
	return nil, errors.New("modbus: serial ports can be driven on Linux only")
}

func (p *port) flushInput() error { return errors.ErrUnsupported }

func (p *port) abort() {}
