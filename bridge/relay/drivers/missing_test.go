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
	for want, c := range map[string]config.Controller{
		"controller loft: rtu is missing":     {Driver: config.DriverModbusRTU},
		"controller loft: gpio is missing":    {Driver: config.DriverGPIO},
		"controller loft: serial is missing":  {Driver: config.DriverSerial},
		"controller loft: mqtt is missing":    {Driver: config.DriverMQTT},
		"controller loft: http is missing":    {Driver: config.DriverHTTP},
		"controller loft: command is missing": {Driver: config.DriverCommand},
		`parity "mark"`: {Driver: config.DriverModbusRTU,
			RTU: &config.SerialBus{Device: "/dev/ttyX0", Parity: "mark"}},
		`driver "smoke" is not known`: {Driver: "smoke"},
	} {
		c.Name = "loft"
		b, err := open(&c, Options{})
		require.ErrorIs(t, err, ErrConfig)
		require.ErrorContains(t, err, want)
		require.Nil(t, b.board)
	}
	for _, c := range []config.Controller{ // configurations that the drivers themselves refuse
		{Driver: config.DriverModbusRTU, RTU: &config.SerialBus{}},
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
	claim := strings.TrimPrefix(relaytest.ProcessName(t.Name()), "/")
	for want, l := range map[string]struct {
		controller config.Controller
		contact    config.Contact
	}{
		"line box-office: contact.gpio is missing": {config.Controller{Driver: config.DriverGPIO,
			GPIO: &config.GPIOChip{Chip: claim}}, config.Contact{}},
		`gpio.sense.current_when "up"`: {config.Controller{Driver: config.DriverGPIO,
			GPIO: &config.GPIOChip{Chip: claim}}, config.Contact{OpenLevel: "on",
			GPIO: &config.GPIOLine{Line: "1", Sense: &config.GPIOSense{CurrentWhen: "up"}}}},
		`open_level "up"`: {config.Controller{Driver: config.DriverGPIO,
			GPIO: &config.GPIOChip{Chip: claim}}, config.Contact{OpenLevel: "up", GPIO: &config.GPIOLine{Line: "1"}}},
		"line box-office: contact.serial is missing": {config.Controller{Driver: config.DriverSerial,
			Serial: &config.SerialPort{Device: "/dev/" + claim}}, config.Contact{}},
		`open_level ""`: {config.Controller{Driver: config.DriverSerial,
			Serial: &config.SerialPort{Device: "/dev/" + claim}},
			config.Contact{Serial: &config.ControlLine{Line: "rts"}}},
		`contact.serial.line "cts"; allowed are rts`: {config.Controller{Driver: config.DriverSerial,
			Serial: &config.SerialPort{Device: "/dev/" + claim}}, config.Contact{OpenLevel: "on",
			Serial: &config.ControlLine{Line: "cts"}}},
		`serial.sense.current_when ""`: {config.Controller{Driver: config.DriverSerial,
			Serial: &config.SerialPort{Device: "/dev/" + claim}}, config.Contact{OpenLevel: "on",
			Serial: &config.ControlLine{Line: "rts", Sense: &config.StatusInput{Line: "cts"}}}},
		`contact.serial.sense.line "rts"; allowed are`: {config.Controller{Driver: config.DriverSerial,
			Serial: &config.SerialPort{Device: "/dev/" + claim}}, config.Contact{OpenLevel: "on",
			Serial: &config.ControlLine{Line: "rts", Sense: &config.StatusInput{Line: "rts", CurrentWhen: "on"}}}},
		"line box-office: contact.mqtt is missing": {config.Controller{Driver: config.DriverMQTT,
			MQTT: &config.Broker{Address: "mqtt://192.0.2.50:1883"}}, config.Contact{}},
		`line box-office: open_level "off "`: {config.Controller{Driver: config.DriverModbus,
			Modbus: config.Modbus{Address: "192.0.2.50:502"}}, config.Contact{OpenLevel: "off "}},
	} {
		l.controller.Name = "loft"
		b, err := open(&l.controller, Options{NoLock: true})
		require.NoError(t, err, want)
		c, err := b.contact(config.Line{Name: "box-office", Contact: l.contact})
		require.ErrorIs(t, err, ErrConfig, want)
		require.ErrorContains(t, err, want)
		require.Nil(t, c)
		require.Empty(t, b.Shutdown(t.Context()))
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
		g, err := gpioLine(config.Line{Name: "box-office", Contact: config.Contact{OpenLevel: c.open,
			GPIO: &config.GPIOLine{Line: "RELAY1", ActiveLow: c.low, Drive: "open-drain", Bias: "pull-up",
				Sense: &config.GPIOSense{Line: "LOOP", ActiveLow: c.low, Bias: "pull-down", CurrentWhen: c.current,
					Debounce: time.Millisecond}}}})
		require.NoError(t, err)
		require.Equal(t, gpio.ContactOptions{Name: "box-office", Line: "RELAY1", ActiveLow: c.openLow,
			Drive: gpio.OpenDrain, Bias: gpio.PullUp,
			Sense: &gpio.Sense{Line: "LOOP", ActiveLow: c.senseLow, Bias: gpio.PullDown, Debounce: time.Millisecond}},
			g)
		for word, line := range map[string]serial.Line{"rts": serial.RTS, "dtr": serial.DTR} {
			for name, input := range map[string]serial.Input{"cts": serial.CTS, "dsr": serial.DSR, "dcd": serial.DCD,
				"ri": serial.RI} {
				s, err := controlLine(config.Line{Name: "box-office", Contact: config.Contact{OpenLevel: c.open,
					Serial: &config.ControlLine{Line: word, Sense: &config.StatusInput{Line: name,
						CurrentWhen: c.current}}}})
				require.NoError(t, err)
				require.Equal(t, serial.ContactOptions{Name: "box-office", Line: line, OpenOn: c.openOn,
					Sense: &serial.Sense{Input: input, CurrentOn: c.currentOn}}, s)
			}
		}
	}
}
