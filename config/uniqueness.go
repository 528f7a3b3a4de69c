package config

import (
	"fmt"
	"strings"
)

// checkLinesDiffer reports what two lines must not share.
func (d *decoder) checkLinesDiffer(c *Config) {
	first := map[string]string{}
	// once reports a second holder of the same thing. If thing is "", it reports nothing.
	once := func(path, thing, words, remedy string) {
		if holder, taken := first[thing]; taken {
			d.add(d.at(path), "%s: %s is already that of %s; %s", path, words, holder, remedy)
			return
		}
		first[thing] = strings.SplitN(path, ".", 2)[0]
	}
	for i := range c.Lines {
		l, at := &c.Lines[i], fmt.Sprintf("lines[%d]", i)
		if l.Name != "" {
			once(at+".name", "name "+l.Name, fmt.Sprintf("the name %q", l.Name), "give each line its own")
		}
		if l.Adapter.User != "" {
			s := c.SIP.AdapterSide
			if l.Adapter.Socket != nil {
				s = *l.Adapter.Socket
			}
			once(at+".adapter.user", fmt.Sprintf("adapter %s %v", l.Adapter.User, s.Listen),
				fmt.Sprintf("the user %q on the socket %v", l.Adapter.User, s.Listen),
				"give each port of the adapter its own user, or the line its own socket")
		}
		account := func(s *Service, at string) string {
			if s == nil || s.User == "" || s.Registrar == "" {
				return ""
			}
			thing := "service " + s.User + " " + strings.ToLower(s.Registrar)
			once(at+".user", thing, fmt.Sprintf("the user %q at that registrar", s.User),
				"give each line its own account")
			return thing
		}
		if first := account(&l.Service, at+".service"); first == "" || !l.Service.sameAccount(l.Service.Second) {
			account(l.Service.Second, at+".service.second")
		}
		if l.Contact.Driver != DriverNone {
			d.checkContactUnshared(l, at+".contact", once)
		}
	}
	d.checkWatchdogRegisters(c)
}

// checkWatchdogRegisters reports a timeout register that is also used for something else. The daemon writes the
// register at every connection. If it were a timed output, that would open a loop.
func (d *decoder) checkWatchdogRegisters(c *Config) {
	type place struct {
		controller string
		unit       uint8
		register   uint16
	}
	timed, counts := map[place]int{}, map[place]int{}
	for i := range c.Lines {
		if k := &c.Lines[i].Contact; k.flat() && k.Timed != nil &&
			d.has(fmt.Sprintf("lines[%d].contact.timed.register", i)) {
			timed[place{k.Controller, k.Unit, k.Timed.Register}] = i
		}
	}
	for i := range c.Lines {
		k, at := &c.Lines[i].Contact, fmt.Sprintf("lines[%d].contact.watchdog", i)
		if !k.flat() || k.Watchdog == nil || k.Watchdog.Unit == 0 || !d.has(at+".register") {
			continue
		}
		p := place{k.Controller, k.Unit, k.Watchdog.Register}
		if j, taken := timed[p]; taken {
			d.add(d.at(at+".register"),
				"%s.register: register %d of %s, unit %d is the timed output of lines[%d]; every connection would open that loop: look up both in the board's manual",
				at, p.register, p.controller, p.unit, j)
		}
		n := int(wholeUnits(k.Watchdog.Timeout, k.Watchdog.Unit) / k.Watchdog.Unit)
		if first, twice := counts[p]; twice && first != n {
			d.add(d.at(at+".timeout"),
				"%s.timeout: register %d of %s, unit %d would have to hold %d for an earlier line and %d for this one; a unit has only one timeout: write the same",
				at, p.register, p.controller, p.unit, first, n)
		} else {
			counts[p] = n
		}
	}
}

// checkContactUnshared reports a contact that two lines would drive.
func (d *decoder) checkContactUnshared(l *Line, at string, once func(path, thing, words, remedy string)) {
	const remedy = "one contact serves one line: give each its own"
	k := &l.Contact
	switch {
	case k.flat() && d.has(at+".coil"):
		board := fmt.Sprintf("%s, unit %d", k.Controller, k.Unit)
		once(at+".coil", fmt.Sprintf("coil %s %d", board, k.Coil), fmt.Sprintf("coil %d of %s", k.Coil, board), remedy)
		if k.Timed != nil && d.has(at+".timed.register") {
			once(at+".timed.register", fmt.Sprintf("register %s %d", board, k.Timed.Register),
				fmt.Sprintf("register %d of %s", k.Timed.Register, board),
				"each coil has its own register of the board's timed output")
		}
	case k.Driver == DriverGPIO && k.GPIO != nil:
		for path, line := range map[string]string{".gpio.line": k.GPIO.Line, ".gpio.sense.line": k.GPIO.senseLine()} {
			// A line that is both contact and input of one contact is reported elsewhere.
			if line != "" && (path == ".gpio.line" || line != k.GPIO.Line) {
				once(at+path, "gpio "+k.Controller+" "+line, fmt.Sprintf("line %s of %s", line, k.Controller), remedy)
			}
		}
	case k.Driver == DriverSerial && k.Controller != "":
		once(at+".controller", "serial "+k.Controller, "the port "+k.Controller,
			"a port drives one contact, since opening it moves both its lines: give each its own")
	case k.plain() && k.MQTT.Plain.Close != nil:
		m := k.MQTT.Plain.Close
		once(at+".mqtt.plain.close", fmt.Sprintf("mqtt %s %q %q", k.Controller, m.Topic, m.Payload),
			fmt.Sprintf("the close at %s", m.Topic), remedy)
	case k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Prefix != "":
		once(at+".mqtt.prefix", "mqtt "+k.Controller+" "+k.MQTT.Prefix,
			fmt.Sprintf("the device %s at %s", k.MQTT.Prefix, k.Controller), remedy)
	case k.Driver == DriverHTTP && k.HTTP != nil:
		word := k.HTTP.Contact
		if word == "" {
			word = l.Name
		}
		r := strings.NewReplacer("{line}", l.Name, "{contact}", word)
		if q := k.HTTP.Close; q != nil {
			once(at+".http.close", fmt.Sprintf("http %s %q %q", k.Controller, r.Replace(q.Path), r.Replace(q.Body)),
				"the close at "+k.Controller, remedy)
		} else if k.HTTP.contract() {
			once(at+".http.contact", "http "+k.Controller+" "+word, fmt.Sprintf("contact %s of %s", word, k.Controller),
				remedy)
		}
	case k.Driver == DriverCommand && k.Command != nil && k.Command.Arguments != nil:
		all := strings.ReplaceAll(fmt.Sprintf("%q", k.Command.Arguments), "{line}", l.Name)
		once(at+".command.arguments", "command "+k.Controller+" "+all, "the command line of "+k.Controller,
			"it would be the same for both lines: add {line}, or something else that distinguishes the contacts")
	}
}

func (g *GPIOLine) senseLine() string {
	if g.Sense == nil {
		return ""
	}
	return g.Sense.Line
}
