package config

import (
	"fmt"
	"strings"
)

// blocks lists the settings of each driver: the name of the mapping of a controller, and that of a contact. The latter
// is empty if the keys of the contact are not in a mapping of their own.
var blocks = []struct{ driver, controller, contact string }{
	{DriverModbus, "modbus", ""}, {DriverModbusRTU, "rtu", ""}, {DriverGPIO, "gpio", "gpio"},
	{DriverSerial, "serial", "serial"},
	{DriverMQTT, "mqtt", "mqtt"}, {DriverHTTP, "http", "http"}, {DriverCommand, "command", "command"},
}

func (d *decoder) checkControllers(c *Config) {
	seen := map[string]int{}
	// apart reports a second controller that uses the same thing.
	apart := func(i int, path, thing, words, remedy string) {
		if first, twice := seen[thing]; twice {
			d.add(d.at(path), "%s: controllers[%d] %s; %s", path, first, words, remedy)
			return
		}
		seen[thing] = i
	}
	for i := range c.Controllers {
		b, at := &c.Controllers[i], fmt.Sprintf("controllers[%d]", i)
		if b.Name != "" {
			apart(i, at+".name", "name "+b.Name, fmt.Sprintf("is called %q too", b.Name), "give each its own name")
		}
		for _, k := range blocks {
			own := at + "." + k.controller
			switch {
			case b.Driver == k.driver && !d.has(own):
				d.add(d.at(at), "%s is missing; driver %s needs it", own, k.driver)
			case b.Driver != k.driver && b.Driver != "" && d.has(own):
				d.add(d.at(own), "%s: driver is %s, so this is not used; remove it, or write driver: %s", own, b.Driver,
					k.driver)
			}
		}
		if a := strings.ToLower(b.Modbus.Address); a != "" {
			apart(i, at+".modbus.address", "address "+a, "has the address "+b.Modbus.Address+" too",
				"one board is one controller: name that one in the lines")
		}
		if s := b.RTU; s != nil && s.Device != "" {
			apart(i, at+".rtu.device", "port "+s.Device, "has the port "+s.Device+" too",
				"one bus is one controller: name that one in the lines")
		}
		if s := b.Serial; s != nil && s.Device != "" {
			apart(i, at+".serial.device", "port "+s.Device, "has the port "+s.Device+" too",
				"a port is either a bus or a contact on a control line: use another port")
		}
		if g := b.GPIO; g != nil && g.Chip != "" {
			apart(i, at+".gpio.chip", "chip "+g.Chip, "has the chip "+g.Chip+" too",
				"one chip is one controller: name that one in the lines")
		}
		if h := b.HTTP; h != nil && h.URL != "" {
			apart(i, at+".http.url", "device "+strings.ToLower(strings.TrimRight(h.URL, "/")), "is the same device",
				"one device is one controller: name that one in the lines")
		}
		if m := b.MQTT; m != nil {
			d.checkPeer(&m.Peer, at+".mqtt", strings.HasPrefix(m.Address, "mqtts://"), "address", "mqtts://")
		}
		if h := b.HTTP; h != nil {
			d.checkPeer(&h.Peer, at+".http", strings.HasPrefix(h.URL, "https://"), "url", "https://")
			d.checkHeaders(h.Headers, h, at+".http.headers")
		}
	}
}

func (d *decoder) checkPeer(p *Peer, at string, secure bool, address, scheme string) {
	if (p.Certificate == "") != (p.Key == "") {
		d.add(d.at(at), "%s: certificate and key belong together; add the other one", at)
	}
	if !secure && (p.CA != "" || p.Certificate != "" || p.ServerName != "") && d.has(at+"."+address) {
		d.add(d.at(at+"."+address), "%s.%s: certificates need %s; write that, or remove them", at, address, scheme)
	}
	if p.User == "" && d.has(at+".password") {
		d.add(d.at(at+".password"), "%s.password: a password needs a user; add user", at)
	}
}
