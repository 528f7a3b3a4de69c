package config

import (
	"fmt"
	"net/netip"
	"strings"
	"time"

	"clearback/config/file"
	"clearback/supervision"
)

// Relay is the configuration of the agent, which moves contacts on its machine for a daemon on another machine.
type Relay struct {
	// Listen is the address of the Modbus TCP server; invalid means none.
	Listen netip.AddrPort
	// AllowFrom holds the networks whose machines may connect.
	AllowFrom []netip.Prefix
	// MaxInterval is the longest time that a loop may be open.
	MaxInterval time.Duration
	// Watchdog is how long a master may be silent while a contact that it opened is open.
	Watchdog time.Duration
	Log      Log
	// HardwareWatchdog is nil if none is used.
	HardwareWatchdog *HardwareWatchdog
	// MQTT is nil if no broker is used.
	MQTT     *RelayMQTT
	Contacts []RelayContact

	secrets []string // files with secrets and private keys
}

// HardwareWatchdog is a timer of the machine, which resets the machine unless the agent triggers it in time.
type HardwareWatchdog struct {
	Device  string
	Timeout time.Duration
}

// RelayMQTT is the agent's connection to a broker.
type RelayMQTT struct {
	// Address is mqtt://host:port or mqtts://host:port.
	Address string
	// Prefix begins the topics of all contacts: PREFIX/CONTACT/pulse, PREFIX/CONTACT/state.
	Prefix   string
	User     string
	Password Secret
	// CA, Certificate and Key are paths of PEM files.
	CA, Certificate, Key string
	Timeout              time.Duration
}

// RelayContact is one contact of the agent: exactly one of GPIO, Serial and Simulated is not nil.
type RelayContact struct {
	Name string
	// OpenLevel is "on" if the loop is open while the output is on, "off" if it is open while the output is off.
	OpenLevel string
	GPIO      *RelayGPIO
	Serial    *RelaySerial
	Simulated *RelaySimulated
}

// RelayGPIO is a line of a GPIO chip.
type RelayGPIO struct {
	// Chip is a path, a name or a label.
	Chip string
	GPIOLine
}

// RelaySerial is a control line of a serial port.
type RelaySerial struct {
	Device string
	ControlLine
}

// RelaySimulated is a contact without an output.
type RelaySimulated struct {
	// File gets a line for each movement; "" means no file.
	File string
}

const (
	defaultRelayInterval = supervision.IntervalCeiling
	defaultRelayWatchdog = 3 * time.Second        // our own number: a few of a master's polls
	leastRelayWatchdog   = 100 * time.Millisecond // the same as in bridge/relay/agent
	mostRelayTime        = 65_535 * time.Millisecond
	defaultHardware      = 15 * time.Second // common boards support this, from memory
	mostRelayContacts    = 64               // the same as in bridge/relay/agent
)

// LoadRelay is [Load] for the agent's file.
func LoadRelay(path string) (*Relay, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	r, faults := ParseRelay(path, data, envOf(path))
	return r, faults, nil
}

// LoadRelayForClosing is [LoadForClosing] for the agent's file. If there are faults, it returns what it could read, or
// nil if it could read nothing.
func LoadRelayForClosing(path string) (*Relay, Faults, error) {
	data, err := file.Read(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the configuration: %w", err)
	}
	d := newDecoder(path, Env{})
	r := d.decodeRelay(data)
	return r, d.sorted(), nil
}

// ParseRelay is [LoadRelay] for a text; name is the file name in the faults.
func ParseRelay(name string, data []byte, env Env) (*Relay, Faults) {
	d := newDecoder(name, env)
	r := d.decodeRelay(data)
	if len(d.faults) > 0 {
		return nil, d.sorted()
	}
	return r, nil
}

func (d *decoder) decodeRelay(data []byte) *Relay {
	root := d.document(data)
	if root == nil {
		for i, f := range d.faults {
			d.faults[i].Problem = strings.ReplaceAll(f.Problem, "deploy/clearback.yaml", "deploy/relay.yaml")
		}
		return nil
	}
	r := defaultRelay()
	d.mapping(root, "", relayKeys(r))
	r.secrets = d.secrets
	d.validateRelay(r)
	return r
}

func defaultRelay() *Relay {
	return &Relay{MaxInterval: defaultRelayInterval, Watchdog: defaultRelayWatchdog,
		Log: Log{Level: "info", Format: "auto"}}
}

func newRelayContact() RelayContact { return RelayContact{OpenLevel: "on"} }

func relayKeys(r *Relay) []key {
	return []key{
		listen("listen", &r.Listen),
		values("allow_from", &r.AllowFrom, "an IP address or a network", parsePrefix),
		duration("max_interval", &r.MaxInterval, time.Millisecond, mostRelayTime),
		duration("watchdog", &r.Watchdog, leastRelayWatchdog, mostRelayTime),
		nested("log", []key{
			choice("level", &r.Log.Level, "debug", "info", "warn", "error"),
			choice("format", &r.Log.Format, "auto", "console", "json"),
		}),
		optional("hardware_watchdog", &r.HardwareWatchdog,
			func() HardwareWatchdog { return HardwareWatchdog{Timeout: defaultHardware} }, hardwareKeys),
		optional("mqtt", &r.MQTT, func() RelayMQTT { return RelayMQTT{Timeout: defaultTimeout} }, relayMQTTKeys),
		required(list("contacts", &r.Contacts, newRelayContact, relayContactKeys)),
	}
}

func hardwareKeys(h *HardwareWatchdog) []key {
	return []key{
		required(text("device", &h.Device, "a path such as /dev/watchdog")),
		duration("timeout", &h.Timeout, 2*time.Second, 10*time.Minute),
	}
}

func relayMQTTKeys(m *RelayMQTT) []key {
	return []key{
		required(value("address", &m.Address, "mqtt://host:port or mqtts://host:port", brokerAddress)),
		required(value("prefix", &m.Prefix, "a topic", topicPrefix)),
		text("user", &m.User, "a name"),
		secret("password", &m.Password),
		text("ca", &m.CA, "a path"),
		text("certificate", &m.Certificate, "a path"),
		keyFile("key", &m.Key),
		duration("timeout", &m.Timeout, 20*time.Millisecond, 10*time.Second),
	}
}

func relayContactKeys(c *RelayContact) []key {
	return []key{
		required(value("name", &c.Name, "a name", name)),
		choice("open_level", &c.OpenLevel, "on", "off"),
		optional("gpio", &c.GPIO, func() RelayGPIO { return RelayGPIO{GPIOLine: newGPIOLine()} }, relayGPIOKeys),
		optional("serial", &c.Serial, func() RelaySerial { return RelaySerial{} }, relaySerialKeys),
		optional("simulated", &c.Simulated, func() RelaySimulated { return RelaySimulated{} },
			func(s *RelaySimulated) []key {
				return []key{text("file", &s.File, "a path")}
			}),
	}
}

func relayGPIOKeys(g *RelayGPIO) []key {
	return append(gpioLineKeys(&g.GPIOLine), required(text("chip", &g.Chip, "a path, a name or a label")))
}

func relaySerialKeys(s *RelaySerial) []key {
	return append(controlLineKeys(&s.ControlLine), required(text("device", &s.Device, "a path such as /dev/ttyUSB0")))
}

// validateRelay checks the relations between values.
func (d *decoder) validateRelay(r *Relay) {
	if !r.Listen.IsValid() && !d.has("listen") && r.MQTT == nil {
		d.add(d.at(""), "there is neither listen nor mqtt, so the contacts could not be reached; add listen: with allow_from:, or mqtt:")
	}
	if d.has("listen") && (!d.has("allow_from") || len(d.at("allow_from").Content) == 0) {
		d.add(d.at("listen"),
			"listen needs allow_from, because the protocol has no password; list the daemon's address")
	}
	for i, p := range r.AllowFrom {
		if p.Bits() == 0 {
			d.add(d.at(fmt.Sprintf("allow_from[%d]", i)),
				"allow_from: %v allows everybody; list the daemon's address or network", p)
		}
	}
	if m := r.MQTT; m != nil {
		if (m.Certificate == "") != (m.Key == "") {
			d.add(d.at("mqtt"), "mqtt: certificate and key belong together; add the other one")
		}
		if strings.HasPrefix(m.Address, "mqtt://") && (m.CA != "" || m.Certificate != "") {
			d.add(d.at("mqtt.address"), "mqtt.address: certificates need mqtts://; write that, or remove them")
		}
	}
	if d.has("contacts") && len(r.Contacts) == 0 {
		d.add(d.at("contacts"), "contacts has no entry; add one")
	}
	if n := len(r.Contacts); n > mostRelayContacts {
		d.add(d.at(fmt.Sprintf("contacts[%d]", mostRelayContacts)), "contacts: %d entries are too many; at most %d are allowed", n,
			mostRelayContacts)
	}
	d.validateRelayContacts(r.Contacts)
}

func (d *decoder) validateRelayContacts(all []RelayContact) {
	seen, outputs := map[string]int{}, map[string]string{}
	for i := range all {
		c, path := &all[i], fmt.Sprintf("contacts[%d]", i)
		if before, twice := seen[c.Name]; twice && c.Name != "" {
			d.add(d.at(path+".name"), "contacts[%d].name: %q is the name of contacts[%d] too; each needs its own", i,
				c.Name, before)
		}
		seen[c.Name] = i
		ways, output := 0, ""
		if g := c.GPIO; g != nil {
			ways, output = ways+1, "line "+g.Line+" of chip "+g.Chip
		}
		if s := c.Serial; s != nil {
			ways, output = ways+1, s.Device // opening the port moves both lines, so a port has only one contact
		}
		if c.Simulated != nil {
			ways++
		}
		if ways != 1 {
			d.add(d.at(path), "%s: it has %d outputs; write exactly one of gpio, serial and simulated", path, ways)
			continue
		}
		if other, taken := outputs[output]; taken && output != "" {
			d.add(d.at(path), "%s: %s already drives %s; each contact needs an output of its own", path, other, output)
		}
		outputs[output] = c.Name
	}
}
