package cli

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"clearback/bridge/relay/agent/agentrun"
	"clearback/config"
)

// relayAgent is the command `relay`, which serves the contacts of this machine.
func relayAgent(f *pflag.FlagSet) action {
	path := f.String("config", "", "the agent's `FILE`; deploy/relay.yaml shows every key")
	only := f.Bool("check", false, "check the file, show what the contacts do, and exit")
	closing := f.Bool("close", false, "close every contact and exit; the agent must not be running")
	within := spanFlag(f, "within", agentrun.CloseTimeout, agentrun.CloseTimeout.String(),
		"stop trying to --close after this `TIME`")
	return func(e *env, _ []string) int {
		switch {
		case *path == "":
			return e.fault("relay: name the agent's file with --config")
		case *only && *closing:
			return e.fault("relay: --check or --close, not both")
		case *closing:
			return e.relayClose(*path, within.Duration)
		}
		load, code := config.LoadRelay, ExitFaultyFile
		if *only {
			load, code = config.LoadRelayForCheck, ExitFaults
		}
		c, faults, err := load(*path)
		if err != nil {
			e.fault("%v", err)
			return code
		}
		if len(faults) > 0 {
			fmt.Fprint(e.Err, faults)
			return code
		}
		if *only {
			for _, w := range c.PermissionWarnings(*path) {
				fmt.Fprintln(e.Out, "warning:", w)
			}
			for _, s := range describeRelay(c) {
				fmt.Fprintln(e.Out, s)
			}
			fmt.Fprintf(e.Out, "%s: no faults\n", *path)
			return ExitOK
		}
		log, end := newLogger(c.Log, e.Err)
		defer end()
		for _, s := range c.PermissionWarnings(*path) {
			log.Warn("file: " + s)
		}
		left, ok := agentrun.Run(c, agentrun.Options{Version: versionText(), Logger: log, Notify: notify,
			Watchdog: watchdogPeriod()}, e.signals)
		switch {
		case len(left) > 0:
			names := make([]string, len(left))
			for i, n := range left {
				names[i] = n.Contact
			}
			return e.notClosed(strings.Join(names, ", "))
		case !ok:
			return ExitFailed
		}
		return ExitOK
	}
}

// relayClose is what a service manager runs after the agent has ended, for whatever reason.
func (e *env) relayClose(path string, within time.Duration) int {
	c, faults, err := config.LoadRelayForClosing(path)
	if err != nil {
		return e.fault("%v", err)
	}
	fmt.Fprint(e.Err, faults)
	if c == nil {
		return ExitFaults
	}
	ctx, cancel := e.within(within)
	defer cancel()
	left, err := agentrun.Close(ctx, c)
	if err != nil {
		return e.failed(err)
	}
	switch {
	case len(left) > 0:
		for _, n := range left {
			fmt.Fprintf(e.Err, "clearback: not known closed: %s: %v\n", n.Contact, n.Err)
		}
		return ExitNotClosed
	case len(faults) > 0:
		fmt.Fprintln(e.Err, "clearback: the contacts that could be read from the file are closed; correct its faults")
		return ExitFaults
	}
	fmt.Fprintln(e.Out, "every contact is closed")
	return ExitOK
}

// describeRelay describes each contact and what it does when something fails.
func describeRelay(c *config.Relay) []string {
	var all []string
	for _, k := range c.Contacts {
		all = append(all, describeRelayContact(k))
	}
	served := "nobody can connect by Modbus TCP"
	if c.Listen.IsValid() {
		served = fmt.Sprintf("Modbus TCP at %v for %v", c.Listen, c.AllowFrom)
	}
	if c.MQTT != nil {
		served += fmt.Sprintf(", MQTT at %s under %s/", c.MQTT.Address, c.MQTT.Prefix)
	}
	all = append(all, fmt.Sprintf("%s; no loop is open for longer than %v, and the contacts of a master that is silent for %v are closed",
		served, c.MaxInterval, c.Watchdog))
	if c.HardwareWatchdog == nil {
		all = append(all, "no hardware watchdog: if this machine hangs while a loop is open, nothing here closes it")
	}
	return all
}

func describeRelayContact(k config.RelayContact) string {
	if k.Simulated != nil {
		return fmt.Sprintf("contact %s: SIMULATED: no real contact moves", k.Name)
	}
	how, dies := "", ""
	switch {
	case k.GPIO != nil:
		how = fmt.Sprintf("line %s of GPIO chip %s", k.GPIO.Line, k.GPIO.Chip)
		dies = "if the agent is killed, the line is released, and the chip's driver decides what the pin does until clearback relay --close or the next start"
	case k.Serial != nil:
		how = fmt.Sprintf("%s of %s", k.Serial.Line, k.Serial.Device)
		dies = "if the agent is killed, RTS and DTR drop"
		if k.OpenLevel == "off" {
			dies = "IF THE AGENT IS KILLED, IT STAYS AS IT WAS"
		}
	}
	power := "without power the loop is closed"
	if k.OpenLevel == "off" {
		power = "WITHOUT POWER THE LOOP IS OPEN"
	}
	return fmt.Sprintf("contact %s: %s; the loop is open when it is %s; %s; %s", k.Name, how, k.OpenLevel, dies, power)
}
