package config

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// The drivers, as the file names them.
const (
	DriverNone      = "none"
	DriverModbus    = "modbus"
	DriverModbusRTU = "modbus-rtu"
	DriverGPIO      = "gpio"
	DriverSerial    = "serial"
	DriverMQTT      = "mqtt"
	DriverHTTP      = "http"
	DriverCommand   = "command"
)

// Controller: an entry of `controllers:`: one relay board, bus, chip, port, broker, device or program. Of the settings only those of its driver
// are used; the others are faults.
type Controller struct {
	Name    string      // name:
	Driver  string      // driver:
	Modbus  Modbus      // modbus:
	RTU     *SerialBus  // rtu: of modbus-rtu
	GPIO    *GPIOChip   // gpio:
	Serial  *SerialPort // serial:
	MQTT    *Broker     // mqtt:
	HTTP    *HTTPDevice // http:
	Command *Program    // command:
}

// Modbus: how to reach a Modbus TCP board.
type Modbus struct {
	Address string        // address: host:port
	Timeout time.Duration // timeout: of one request
}

// SerialBus: a serial line with Modbus RTU boards.
type SerialBus struct {
	Device   string        // device: of the serial port
	Baud     int           // baud: bits per second, default 19200
	Parity   string        // parity: even, odd or none
	StopBits int           // stop_bits: 1 or 2; 0: as the standard has it for the parity
	RS485    *RS485        // rs485: the kernel switches the direction by RTS
	Timeout  time.Duration // timeout: of one request
}

// RS485: how the kernel switches a driver's direction.
type RS485 struct {
	Send        string        // send: the level of RTS while sending, high or low
	DelayBefore time.Duration // delay_before: whole milliseconds
	DelayAfter  time.Duration // delay_after: whole milliseconds
}

// GPIOChip: a GPIO character device.
type GPIOChip struct {
	Chip string // chip: a path, a name or a label
}

// SerialPort: a serial port of which a control line drives a contact.
type SerialPort struct {
	Device string // device:
}

// Peer is how a broker or a web device is known, and how it knows us.
type Peer struct {
	User     string // user:
	Password Secret // password:
	// CA, Certificate and Key are paths of PEM files.
	CA, Certificate, Key string        // ca:, certificate:, key:
	ServerName           string        // server_name: the name in the certificate
	Timeout              time.Duration // timeout: of one command
}

// Broker: an MQTT broker.
type Broker struct {
	Address string // address: mqtt://host:port or mqtts://host:port
	Peer
	ClientID  string        // client_id: what the identifiers of the connections begin with
	KeepAlive time.Duration // keep_alive: whole seconds
}

// HTTPDevice: a device that is switched by HTTP.
type HTTPDevice struct {
	URL string // url:
	Peer
	Headers []Header // headers: of every request
}

// Header: a field of every request, such as a key: exactly one of Value and Secret.
type Header struct {
	Name   string // name:
	Value  string // value: as it is
	Secret Secret // secret: from a file or the like
}

// Program: a program of the user's own.
type Program struct {
	Path    string        // program: its whole path
	Timeout time.Duration // timeout: of one run
}

const (
	defaultBusTimeout  = 300 * time.Millisecond // these are the drivers' own
	defaultSlowTimeout = time.Second
	defaultBaud        = 19_200
	defaultKeepAlive   = 5 * time.Second
	leastTimeout       = 20 * time.Millisecond
	mostTimeout        = 10 * time.Second
	mostRTSDelay       = 100 * time.Millisecond
)

func newController() Controller { return Controller{Modbus: Modbus{Timeout: defaultTimeout}} }

func timeout(into *time.Duration) key {
	return duration("timeout", into, leastTimeout, mostTimeout)
}

func controllerKeys(c *Controller) []key {
	return []key{
		required(value("name", &c.Name, "a name", name)),
		required(choice("driver", &c.Driver, DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial, DriverMQTT, DriverHTTP, DriverCommand)),
		nested("modbus", []key{
			required(value("address", &c.Modbus.Address, "host:port", hostPort)),
			timeout(&c.Modbus.Timeout),
		}),
		optional("rtu", &c.RTU, func() SerialBus {
			return SerialBus{Baud: defaultBaud, Parity: "even", Timeout: defaultBusTimeout}
		}, busKeys),
		optional("gpio", &c.GPIO, func() GPIOChip { return GPIOChip{} }, func(g *GPIOChip) []key {
			return []key{required(text("chip", &g.Chip, "a path, a name or a label"))}
		}),
		optional("serial", &c.Serial, func() SerialPort { return SerialPort{} }, func(s *SerialPort) []key {
			return []key{required(value("device", &s.Device, "a path", absolute))}
		}),
		optional("mqtt", &c.MQTT, func() Broker {
			return Broker{Peer: Peer{Timeout: defaultSlowTimeout}, KeepAlive: defaultKeepAlive}
		}, brokerKeys),
		optional("http", &c.HTTP, func() HTTPDevice { return HTTPDevice{Peer: Peer{Timeout: defaultSlowTimeout}} }, httpDeviceKeys),
		optional("command", &c.Command, func() Program { return Program{Timeout: defaultSlowTimeout} }, func(p *Program) []key {
			return []key{required(value("program", &p.Path, "a path", absolute)), timeout(&p.Timeout)}
		}),
	}
}

func busKeys(b *SerialBus) []key {
	return []key{
		required(value("device", &b.Device, "a path", absolute)),
		number("baud", &b.Baud, 300, 4_000_000),
		choice("parity", &b.Parity, "even", "odd", "none"),
		number("stop_bits", &b.StopBits, 1, 2),
		optional("rs485", &b.RS485, func() RS485 { return RS485{Send: "high"} }, func(r *RS485) []key {
			return []key{
				choice("send", &r.Send, "high", "low"),
				duration("delay_before", &r.DelayBefore, 0, mostRTSDelay),
				duration("delay_after", &r.DelayAfter, 0, mostRTSDelay),
			}
		}),
		timeout(&b.Timeout),
	}
}

func peerKeys(p *Peer) []key {
	return []key{
		text("user", &p.User, "a name"),
		secret("password", &p.Password),
		text("ca", &p.CA, "a path"),
		text("certificate", &p.Certificate, "a path"),
		text("key", &p.Key, "a path"),
		value("server_name", &p.ServerName, "a host", host),
		timeout(&p.Timeout),
	}
}

func brokerKeys(b *Broker) []key {
	return append(peerKeys(&b.Peer),
		required(value("address", &b.Address, "mqtt://host:port or mqtts://host:port", brokerAddress)),
		value("client_id", &b.ClientID, "a name", clientID),
		value("keep_alive", &b.KeepAlive, "a time like 5s", wholeSeconds(time.Second, time.Minute)),
	)
}

func httpDeviceKeys(h *HTTPDevice) []key {
	return append(peerKeys(&h.Peer),
		required(unquoted("url", &h.URL, "http://host or https://host", deviceURL)),
		list("headers", &h.Headers, func() Header { return Header{} }, headerKeys),
	)
}

func headerKeys(f *Header) []key {
	return []key{required(value("name", &f.Name, "a field's name", fieldName)), text("value", &f.Value, "a text"), secret("secret", &f.Secret)}
}

func absolute(s string) (string, error) {
	if !strings.HasPrefix(s, "/") || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return "", errors.New("is no absolute path; write all of it, beginning with /")
	}
	return s, nil
}

func clientID(s string) (string, error) {
	if len(s) > 23 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ-_") {
		return "", errors.New("is no identifier; allowed: 1 to 23 letters, digits, - and _")
	}
	return s, nil
}

func wholeSeconds(low, high time.Duration) func(string) (time.Duration, error) {
	return func(s string) (time.Duration, error) {
		v, err := parseDuration(s)
		if err == nil && (v < low || v > high || v%time.Second != 0) {
			err = fmt.Errorf("is out of range; allowed: %v to %v in whole seconds", low, high)
		}
		return v, err
	}
}

// unquoted is a value whose faults do not show it, since somebody may have put there what does not belong there.
func unquoted(name string, into *string, want string, parse func(string) (string, error)) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		s, ok := d.scalar(path, n, want)
		if !ok {
			return
		}
		v, err := parse(s)
		if err != nil {
			d.add(n, "%s: this %v", path, err)
			return
		}
		*into = v
	}}
}

func deviceURL(s string) (string, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.RawQuery != "" || u.Fragment != "":
		return "", errors.New("is no device; write such as http://relays.millrace.example or https://192.0.2.60/api, without a query")
	case u.User != nil:
		return "", errors.New("holds a user; write user: and password:")
	}
	return s, nil
}

func fieldName(s string) (string, error) {
	if len(s) > 64 || !only(s, digits+"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ!#$%&'*+-.^_`|~") { // RFC 9110, section 5.6.2
		return "", errors.New("is no field's name; write such as X-Key")
	}
	return s, nil
}

// blocks are the settings of each driver: the name of the mapping at a controller, and at a contact (empty: its keys are flat).
var blocks = []struct{ driver, controller, contact string }{
	{DriverModbus, "modbus", ""}, {DriverModbusRTU, "rtu", ""}, {DriverGPIO, "gpio", "gpio"}, {DriverSerial, "serial", "serial"},
	{DriverMQTT, "mqtt", "mqtt"}, {DriverHTTP, "http", "http"}, {DriverCommand, "command", "command"},
}

func (d *decoder) checkControllers(c *Config) {
	seen := map[string]int{}
	// apart finds a second holder of the same thing.
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
				d.add(d.at(own), "%s: driver is %s, so this is not used; remove it, or write driver: %s", own, b.Driver, k.driver)
			}
		}
		if a := strings.ToLower(b.Modbus.Address); a != "" {
			apart(i, at+".modbus.address", "address "+a, "has the address "+b.Modbus.Address+" too", "one board is one controller: let the lines name that one")
		}
		if s := b.RTU; s != nil && s.Device != "" {
			apart(i, at+".rtu.device", "port "+s.Device, "has the port "+s.Device+" too", "one bus is one controller: let the lines name that one")
			for key, v := range map[string]time.Duration{"delay_before": s.delay(0), "delay_after": s.delay(1)} {
				if v%time.Millisecond != 0 {
					d.add(d.at(at+".rtu.rs485."+key), "%s.rtu.rs485.%s: %v; write whole milliseconds", at, key, v)
				}
			}
		}
		if s := b.Serial; s != nil && s.Device != "" {
			apart(i, at+".serial.device", "port "+s.Device, "has the port "+s.Device+" too", "a port does one thing: a bus, or a contact by a control line")
		}
		if m := b.MQTT; m != nil {
			d.checkPeer(&m.Peer, at+".mqtt", strings.HasPrefix(m.Address, "mqtts://"), "address", "mqtts://")
		}
		if h := b.HTTP; h != nil {
			d.checkPeer(&h.Peer, at+".http", strings.HasPrefix(h.URL, "https://"), "url", "https://")
			d.checkHeaders(h.Headers, at+".http.headers")
		}
	}
}

func (s *SerialBus) delay(i int) time.Duration {
	if s.RS485 == nil {
		return 0
	}
	return [...]time.Duration{s.RS485.DelayBefore, s.RS485.DelayAfter}[i]
}

func (d *decoder) checkPeer(p *Peer, at string, secure bool, address, scheme string) {
	if (p.Certificate == "") != (p.Key == "") {
		d.add(d.at(at), "%s: certificate and key belong together; add the other one", at)
	}
	if !secure && (p.CA != "" || p.Certificate != "" || p.ServerName != "") && d.has(at+"."+address) {
		d.add(d.at(at+"."+address), "%s.%s: certificates need %s; write that, or remove them", at, address, scheme)
	}
	if p.User == "" && d.has(at+".password") {
		d.add(d.at(at+".password"), "%s.password: there is no user whose it is; add user", at)
	}
}

func (d *decoder) checkHeaders(all []Header, at string) {
	ours := []string{"host", "content-length", "transfer-encoding", "connection", "content-type", "authorization"}
	for i, h := range all {
		path := fmt.Sprintf("%s[%d]", at, i)
		if d.has(path+".value") == d.has(path+".secret") && h.Name != "" {
			d.add(d.at(path), "%s: write exactly one of value and secret", path)
		}
		if slices.Contains(ours[:4], strings.ToLower(h.Name)) {
			d.add(d.at(path+".name"), "%s.name: %s is made by the daemon; remove it", path, h.Name)
		}
	}
}
