package drivers

import (
	"strings"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/gpio"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/relay/serial"
	"clearback/config"

	"github.com/stretchr/testify/require"
)

// TestWhatIsMissing checks that a missing block is an error here too, and so is a word that the configuration does not
// allow.
func TestWhatIsMissing(t *testing.T) {
	b, err := open(&config.Controller{Name: "loft", Driver: "smoke"}, Options{})
	require.ErrorIs(t, err, ErrConfig)
	require.ErrorContains(t, err, `driver "smoke" is not known`)
	require.Nil(t, b.board)
	for _, c := range []config.Controller{ // configurations that the drivers themselves refuse
		{Driver: config.DriverModbusRTU}, {Driver: config.DriverGPIO}, {Driver: config.DriverSerial},
		{Driver: config.DriverMQTT}, {Driver: config.DriverHTTP}, {Driver: config.DriverCommand},
		{Driver: config.DriverModbusRTU, RTU: &config.SerialBus{}},
		{Driver: config.DriverModbusRTU, RTU: &config.SerialBus{Device: "/dev/ttyX0", Parity: "mark"}},
		{Driver: config.DriverGPIO, GPIO: &config.GPIOChip{}},
		{Driver: config.DriverSerial, Serial: &config.SerialPort{}},
		{Driver: config.DriverMQTT, MQTT: &config.Broker{}},
		{Driver: config.DriverHTTP, HTTP: &config.HTTPDevice{}},
		{Driver: config.DriverCommand, Command: &config.Program{}}, {Driver: config.DriverModbus},
	} {
		c.Name = "loft"
		b, err := open(&c, Options{})
		require.Error(t, err, c.Driver)
		require.Nil(t, b.board)
	}
	name := strings.TrimPrefix(relaytest.ProcessName(t.Name()), "/")
	chip := config.Controller{Driver: config.DriverGPIO, GPIO: &config.GPIOChip{Chip: name}}
	port := config.Controller{Driver: config.DriverSerial, Serial: &config.SerialPort{Device: "/dev/" + name}}
	for _, c := range []struct {
		want       string
		controller config.Controller
		contact    config.Contact
	}{
		{`line: "" is not a GPIO line`, chip, config.Contact{OpenLevel: "on"}},
		{`open_level "up"`, chip, config.Contact{OpenLevel: "up", GPIO: &config.GPIOLine{Line: "1"}}},
		{"line: 2 is not known; allowed: rts, dtr", port, config.Contact{OpenLevel: "on"}},
		{`open_level ""`, port, config.Contact{Serial: &config.ControlLine{Line: "rts"}}},
		{"line: 255 is not known; allowed: rts, dtr", port, config.Contact{OpenLevel: "on",
			Serial: &config.ControlLine{Line: "cts"}}},
		{"sense.line: 255 is not known; allowed: cts", port, config.Contact{OpenLevel: "on",
			Serial: &config.ControlLine{Line: "rts", Sense: &config.StatusInput{Line: "rts", CurrentWhen: "on"}}}},
		{"write exactly one of prefix and plain", config.Controller{Driver: config.DriverMQTT,
			MQTT: &config.Broker{Address: "mqtt://192.0.2.50:1883"}}, config.Contact{}},
		{`open_level "off "`, config.Controller{Driver: config.DriverModbus,
			Modbus: config.Modbus{Address: "192.0.2.50:502"}}, config.Contact{OpenLevel: "off "}},
	} {
		c.controller.Name, c.contact.Controller, c.contact.Driver = "loft", "loft", c.controller.Driver
		b, err := open(&c.controller, Options{NoLock: true})
		require.NoError(t, err, c.want)
		s := &Set{boards: []openController{b}}
		got, err := s.contact(&config.Line{Name: "box-office", Contact: c.contact})
		require.ErrorContains(t, err, c.want)
		require.ErrorContains(t, err, "line box-office")
		require.Nil(t, got)
		require.Empty(t, s.Shutdown(t.Context()))
	}
	require.True(t, satisfies(relay.KindOneshot, "watchdog"))
	require.False(t, satisfies(relay.KindNone, "watchdog"))
	require.False(t, satisfies(relay.KindOneshot, "smoke"))
}

// TestLevelsOfTheFile checks at which level of a line the loop is open, and at which level current flows.
func TestLevelsOfTheFile(t *testing.T) {
	for _, c := range []struct {
		open, current     string
		low               bool
		openLow, senseLow bool
		openOn, currentOn bool
	}{
		{"on", "off", false, false, true, true, false}, {"off", "on", false, true, false, false, true},
		{"on", "off", true, true, false, true, false}, {"off", "on", true, false, true, false, true},
	} {
		l := &config.Line{Name: "box-office", Contact: config.Contact{OpenLevel: c.open,
			GPIO: &config.GPIOLine{Line: "RELAY1", ActiveLow: c.low, Drive: "open-drain", Bias: "pull-up",
				Sense: &config.GPIOSense{Line: "LOOP", ActiveLow: c.low, Bias: "pull-down", CurrentWhen: c.current,
					Debounce: time.Millisecond}}}}
		require.Equal(t, gpio.ContactOptions{Name: "box-office", Line: "RELAY1", ActiveLow: c.openLow,
			Drive: gpio.OpenDrain, Bias: gpio.PullUp,
			Sense: &gpio.Sense{Line: "LOOP", ActiveLow: c.senseLow, Bias: gpio.PullDown, Debounce: time.Millisecond}},
			l.GPIO())
		for word, line := range map[string]serial.Line{"rts": serial.RTS, "dtr": serial.DTR} {
			for name, input := range map[string]serial.Input{"cts": serial.CTS, "dsr": serial.DSR, "dcd": serial.DCD,
				"ri": serial.RI} {
				l := &config.Line{Name: "box-office", Contact: config.Contact{OpenLevel: c.open,
					Serial: &config.ControlLine{Line: word, Sense: &config.StatusInput{Line: name,
						CurrentWhen: c.current}}}}
				require.Equal(t, serial.ContactOptions{Name: "box-office", Line: line, OpenOn: c.openOn,
					Sense: &serial.Sense{Input: input, CurrentOn: c.currentOn}}, l.Serial())
			}
		}
	}
}
