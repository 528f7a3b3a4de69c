package cli

import (
	"fmt"

	"clearback/bridge/relay/agent"
	"clearback/config"
)

// output returns what opens a contact's output, and whether that senses loop current. It is not ok if the file names no output.
func output(k config.RelayContact) (open func() (agent.Output, error), senses, ok bool) {
	switch {
	case k.Simulated != nil:
		return func() (agent.Output, error) { return agent.NewSimulated(k.Simulated.File) }, true, true
	default:
		return nil, false, false
	}
}

// describeRelay says of every contact, in words, what it is and what happens when something dies.
func describeRelay(c *config.Relay) []string {
	var all []string
	for _, k := range c.Contacts {
		all = append(all, describeRelayContact(k))
	}
	served := "nobody can connect by Modbus TCP"
	if c.Listen.IsValid() {
		served = fmt.Sprintf("Modbus TCP at %v for %v", c.Listen, c.AllowFrom)
	}
	all = append(all, fmt.Sprintf("%s; no loop is open for longer than %v, and a master that is silent for %v has its contacts closed", served, c.MaxInterval, c.Watchdog))
	if c.HardwareWatchdog == nil {
		all = append(all, "no hardware watchdog: if this machine hangs while a loop is open, nothing here closes it")
	}
	return all
}

func describeRelayContact(k config.RelayContact) string {
	how, dies := "SIMULATED: no real contact moves", "nothing"
	switch {
	case k.GPIO != nil:
		how = fmt.Sprintf("line %s of GPIO chip %s", k.GPIO.Line, k.GPIO.Chip)
		dies = "a killed agent gives the line up: what it then does is its driver's choice"
	case k.Serial != nil:
		how = fmt.Sprintf("%s of %s", k.Serial.Line, k.Serial.Device)
		dies = "a killed agent drops RTS and DTR"
	}
	power := "without power the loop is closed"
	if k.OpenLevel == "off" {
		power = "WITHOUT POWER THE LOOP IS OPEN"
	}
	return fmt.Sprintf("contact %s: %s; open when %s; %s; %s", k.Name, how, k.OpenLevel, dies, power)
}
