package agentrun

import (
	"errors"
	"fmt"

	"clearback/bridge/relay/agent"
	"clearback/bridge/relay/gpio"
	"clearback/bridge/relay/serial"
	"clearback/config"
)

// output returns a function that opens a contact's output, and whether that output senses loop current. ok is false if
// the file names no usable output.
func output(k config.RelayContact) (open func() (agent.Output, error), senses, ok bool) {
	if k.OpenLevel != "on" && k.OpenLevel != "off" {
		return nil, false, false // a fault of the file: this contact cannot be closed
	}
	switch {
	case k.Simulated != nil:
		return func() (agent.Output, error) { return agent.NewSimulated(k.Simulated.File) }, true, true
	case k.GPIO != nil:
		return func() (agent.Output, error) { return openGPIO(k.GPIO, k.OpenLevel == "on") }, k.GPIO.Sense != nil,
			k.GPIO.Chip != "" && k.GPIO.Line != ""
	case k.Serial != nil:
		return func() (agent.Output, error) { return openPort(k) }, k.Serial.Sense != nil, k.Serial.Device != "" &&
			k.Serial.Line != ""
	default:
		return nil, false, false
	}
}

// gpioOutput is a GPIO line that is active while the loop is open. It may have a second GPIO line as input, active
// while loop current flows.
type gpioOutput struct {
	*gpio.Line
	sense *gpio.Line // nil if there is none
}

var (
	_ agent.Input = gpioOutput{}
	_ agent.Input = (*serial.Output)(nil)
)

// consumer is the name that other programs see when they ask the kernel who uses a GPIO line.
const consumer = "clearback relay"

// openGPIO requests the GPIO lines. The loop is closed from the first moment.
func openGPIO(g *config.RelayGPIO, openOn bool) (agent.Output, error) {
	out := gpioOutput{}
	if s := g.Sense; s != nil {
		in, err := gpio.Open(g.Chip, s.Line, gpio.LineOptions{
			Consumer: consumer, ActiveLow: s.ActiveLow == (s.CurrentWhen == "on"), Bias: gpio.Bias(s.Bias),
			Debounce: s.Debounce,
		})
		if err != nil {
			return nil, fmt.Errorf("loop-current input: %w", err)
		}
		out.sense = in
	}
	l, err := gpio.Open(g.Chip, g.Line, gpio.LineOptions{
		Consumer: consumer, Output: true, ActiveLow: g.ActiveLow == openOn, Drive: gpio.Drive(g.Drive),
		Bias: gpio.Bias(g.Bias),
	})
	if err != nil {
		if out.sense != nil {
			err = errors.Join(err, out.sense.Close())
		}
		return nil, err
	}
	out.Line = l
	return out, nil
}

// Current reads the loop-current input.
func (o gpioOutput) Current() (bool, error) {
	if o.sense == nil {
		return false, errors.New("the file names no loop-current input")
	}
	return o.sense.Get()
}

// Close releases the GPIO lines.
func (o gpioOutput) Close() error {
	err := o.Line.Close()
	if o.sense != nil {
		err = errors.Join(err, o.sense.Close())
	}
	return err
}

// openPort opens a serial port with the loop closed.
func openPort(k config.RelayContact) (agent.Output, error) {
	s := k.Serial
	o := serial.ContactOptions{Name: k.Name, OpenOn: k.OpenLevel == "on"}
	if s.Line == serial.DTR.String() {
		o.Line = serial.DTR
	}
	if in := s.Sense; in != nil {
		o.Sense = &serial.Sense{Input: statusLine(in.Line), CurrentOn: in.CurrentWhen == "on"}
	}
	return serial.Open(s.Device, o)
}

// statusLine returns the input that the word in the file names.
func statusLine(word string) serial.Input {
	switch word {
	case "cts":
		return serial.CTS
	case "dsr":
		return serial.DSR
	case "dcd":
		return serial.DCD
	default: // the file was checked, so it is this one
		return serial.RI
	}
}
