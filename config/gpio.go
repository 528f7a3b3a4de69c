package config

import (
	"fmt"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/gpio"
)

// GPIOChip is a GPIO character device.
type GPIOChip struct {
	Chip string // chip: a path, a name or a label
}

// GPIOLine is an output of a GPIO chip.
type GPIOLine struct {
	Line      string     // line: an offset or a name
	ActiveLow bool       // active_low: on is the low voltage
	Drive     string     // drive: push-pull, open-drain or open-source
	Bias      string     // bias: as-is, disabled, pull-up or pull-down
	Sense     *GPIOSense // sense: a loop-current input on the same chip
}

// GPIOSense is an input of a GPIO chip.
type GPIOSense struct {
	Line        string        // line: an offset or a name
	ActiveLow   bool          // active_low:
	Bias        string        // bias:
	CurrentWhen string        // current_when: on or off
	Debounce    time.Duration // debounce: 0 for none
}

var gpioLines = driver{
	name: DriverGPIO, controller: "gpio", contact: "gpio", needs: "gpio", powered: "relay",
	controllerKey: func(c *Controller) key {
		return optional("gpio", &c.GPIO, fresh[GPIOChip], func(g *GPIOChip) []key {
			return []key{required(text("chip", &g.Chip, "a path, a name or a label"))}
		})
	},
	contactKeys: func(c *Contact) []key { return []key{optional("gpio", &c.GPIO, newGPIOLine, gpioLineKeys)} },
	claim: func(c *Controller) claim {
		if c.GPIO == nil {
			return claim{}
		}
		return claim{"chip", "chip ", c.GPIO.Chip, "has the chip " + c.GPIO.Chip + " too",
			"one chip is one controller: name that one in the lines"}
	},
	check:        func(c *Controller) []relay.Fault { return c.GPIOBoard().Check() },
	checkContact: func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.GPIO().Check() },
	share: func(_ *decoder, l *Line, at string, unique uniqueCheck) {
		k := &l.Contact
		if k.GPIO == nil {
			return
		}
		lines := []string{k.GPIO.Line}
		if s := k.GPIO.Sense; s != nil && s.Line != k.GPIO.Line { // if they are the same line, the driver reports that
			lines = append(lines, s.Line)
		}
		for i, line := range lines {
			if line != "" {
				unique(at+[]string{".gpio.line", ".gpio.sense.line"}[i], "gpio "+k.Controller+" "+line,
					fmt.Sprintf("line %s of %s", line, k.Controller), oneContactPerLine)
			}
		}
	},
	senses: func(k *Contact) bool { return k.GPIO != nil && k.GPIO.Sense != nil },
	place: func(k *Contact) string {
		return fmt.Sprintf("line %s of chip %s, open when the output is %s", k.GPIO.Line, k.Controller, k.OpenLevel)
	},
	consent: localConsent,
	fails:   "the daemon or this machine hangs, or dies and the chip leaves the line as it is,",
	dies:    "If the daemon dies during an interruption, the kernel frees the line, and it depends on the chip whether the loop closes; if it does not, or the daemon or this machine hangs, the loop stays open until somebody closes it",
}

// localConsent is the reason why a contact on this machine needs consent.
const localConsent = "the loop may stay open if the daemon or this machine hangs or dies during an interruption, because nothing else ends the opening; drive the contact with clearback relay, and write that as a modbus controller"

var biases = []string{"as-is", "disabled", "pull-up", "pull-down"}

func newGPIOLine() GPIOLine { return GPIOLine{Drive: "push-pull", Bias: "as-is"} }

func gpioLineKeys(g *GPIOLine) []key {
	return []key{
		required(text("line", &g.Line, "an offset or a name")),
		yesNo("active_low", &g.ActiveLow),
		choice("drive", &g.Drive, "push-pull", "open-drain", "open-source"),
		choice("bias", &g.Bias, biases...),
		optional("sense", &g.Sense, func() GPIOSense { return GPIOSense{Bias: "as-is", CurrentWhen: "on"} },
			func(s *GPIOSense) []key {
				return []key{
					required(text("line", &s.Line, "an offset or a name")),
					yesNo("active_low", &s.ActiveLow),
					choice("bias", &s.Bias, biases...),
					choice("current_when", &s.CurrentWhen, "on", "off"),
					duration("debounce", &s.Debounce, 0, time.Second),
				}
			}),
	}
}

// GPIOBoard returns the options of the driver.
func (c *Controller) GPIOBoard() gpio.Options {
	o := gpio.Options{Name: c.Name}
	if c.GPIO != nil {
		o.Chip = c.GPIO.Chip
	}
	return o
}

// GPIO returns the options of the driver for the line's contact. For the driver, the loop is open while the contact's
// GPIO line is active, and loop current flows while the sense line is active.
func (l *Line) GPIO() gpio.ContactOptions {
	g := l.Contact.GPIO
	if g == nil {
		return gpio.ContactOptions{Name: l.Name}
	}
	o := gpio.ContactOptions{Name: l.Name, Line: g.Line, ActiveLow: g.ActiveLow == (l.Contact.OpenLevel == "on"),
		Drive: gpio.Drive(g.Drive), Bias: gpio.Bias(g.Bias)}
	if s := g.Sense; s != nil {
		o.Sense = &gpio.Sense{Line: s.Line, ActiveLow: s.ActiveLow == (s.CurrentWhen == "on"), Bias: gpio.Bias(s.Bias),
			Debounce: s.Debounce}
	}
	return o
}
