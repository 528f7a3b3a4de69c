package serial

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"clearback/bridge/relay"
)

// Output is the contact of a port that was opened without a [Board], for a caller that times openings itself. All
// methods are safe for concurrent use. Each of them may hang in the kernel.
type Output struct {
	port port
	opt  ContactOptions
	lock io.Closer
}

// ErrNoInput means that the options name no input.
var ErrNoInput = errors.New("serial: no loop-current input is configured")

// Open opens a port and closes the loop, setting both lines in one call. No other process can use the port until Close.
func Open(device string, o ContactOptions) (*Output, error) { return openOutput(device, o, openPort) }

func openOutput(device string, o ContactOptions, open openFunc) (*Output, error) {
	if err := relay.FaultError(ErrOptions, "line "+o.Name, o.Check()); err != nil {
		return nil, err
	}
	if !filepath.IsAbs(device) {
		return nil, fmt.Errorf("%w: line %s: device %q; write the path of a serial port, for example /dev/ttyS1",
			ErrOptions, o.Name, device)
	}
	lock, err := relay.Lock("serial " + realPath(device))
	if err != nil {
		return nil, err
	}
	h := &sharedPort{device: device, opt: o, open: open}
	if err := h.openNew(); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return &Output{h.port, o, lock}, nil
}

// Set opens or closes the loop.
func (s *Output) Set(open bool) error { return s.port.Set(s.opt.Line, open == s.opt.OpenOn) }

// Get reports whether the loop is open, as the port's driver reads the line.
func (s *Output) Get() (open bool, err error) {
	l, err := s.port.Get()
	return l.out[s.opt.Line] == s.opt.OpenOn, err
}

// Current reports whether loop current flows. It returns [ErrNoInput] if the options name no input.
func (s *Output) Current() (flows bool, err error) {
	if s.opt.Sense == nil {
		return false, ErrNoInput
	}
	l, err := s.port.Get()
	return l.in[s.opt.Sense.Input] == s.opt.Sense.CurrentOn, err
}

// Close closes the port in its present state, so close the loop first. If the loop opens with the line on, the kernel
// then turns both lines off.
func (s *Output) Close() error {
	s.port.Close()
	return s.lock.Close()
}
