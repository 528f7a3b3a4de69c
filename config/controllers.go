package config

import "time"

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

// Controller is an entry of `controllers:`: one relay board, bus, chip, port, broker, device or program. Only the
// settings of its driver are allowed.
type Controller struct {
	Name    string      // name:
	Driver  string      // driver:
	Modbus  Modbus      // modbus:
	RTU     *SerialBus  // rtu: of driver modbus-rtu
	GPIO    *GPIOChip   // gpio:
	Serial  *SerialPort // serial:
	MQTT    *Broker     // mqtt:
	HTTP    *HTTPDevice // http:
	Command *Program    // command:
}

// Modbus says how to reach a Modbus TCP board.
type Modbus struct {
	Address string        // address: host:port
	Timeout time.Duration // timeout: of one request
}

// SerialBus is a serial line with Modbus RTU boards.
type SerialBus struct {
	Device   string        // device: path of the serial port
	Baud     int           // baud: bits per second, default 19200
	Parity   string        // parity: even, odd or none
	StopBits int           // stop_bits: 1 or 2; 0 means what the standard requires for the parity
	RS485    *RS485        // rs485: the kernel switches the direction by RTS
	Timeout  time.Duration // timeout: of one request
}

// RS485 says how the kernel switches the direction of an RS-485 transceiver.
type RS485 struct {
	Send        string        // send: the level of RTS while sending, high or low
	DelayBefore time.Duration // delay_before: whole milliseconds
	DelayAfter  time.Duration // delay_after: whole milliseconds
}

// GPIOChip is a GPIO character device.
type GPIOChip struct {
	Chip string // chip: a path, a name or a label
}

// SerialPort is a serial port whose control line drives a contact.
type SerialPort struct {
	Device string // device:
}

// Peer says how we and a broker or a web device authenticate each other.
type Peer struct {
	User     string // user:
	Password Secret // password:
	// CA, Certificate and Key are paths of PEM files.
	CA, Certificate, Key string        // ca:, certificate:, key:
	ServerName           string        // server_name: the name in the certificate
	Timeout              time.Duration // timeout: of one command
}

// Broker is an MQTT broker.
type Broker struct {
	Address string // address: mqtt://host:port or mqtts://host:port
	Peer
	ClientID  string        // client_id: beginning of the client identifiers of the connections
	KeepAlive time.Duration // keep_alive: whole seconds
}

// HTTPDevice is a device that is switched by HTTP.
type HTTPDevice struct {
	URL string // url:
	Peer
	Headers []Header // headers: of every request
}

// Header is a header field of every request, such as an API key. It has exactly one of Value and Secret.
type Header struct {
	Name   string // name:
	Value  string // value: the literal value
	Secret Secret // secret: from a file, the environment or a credential
}

// Program is a program of the user's own.
type Program struct {
	Path    string        // program: absolute path
	Timeout time.Duration // timeout: of one run
}

const (
	defaultBusTimeout  = 300 * time.Millisecond // the drivers have the same defaults
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
		required(choice("driver", &c.Driver, DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial, DriverMQTT,
			DriverHTTP, DriverCommand)),
		nested("modbus", []key{
			required(value("address", &c.Modbus.Address, "host:port", hostPort)),
			timeout(&c.Modbus.Timeout),
		}),
		optional("rtu", &c.RTU, func() SerialBus {
			return SerialBus{Baud: defaultBaud, Parity: "even", Timeout: defaultBusTimeout}
		}, busKeys),
		optional("gpio", &c.GPIO, fresh[GPIOChip], func(g *GPIOChip) []key {
			return []key{required(text("chip", &g.Chip, "a path, a name or a label"))}
		}),
		optional("serial", &c.Serial, fresh[SerialPort], func(s *SerialPort) []key {
			return []key{required(value("device", &s.Device, "a path", device))}
		}),
		optional("mqtt", &c.MQTT, func() Broker {
			return Broker{Peer: Peer{Timeout: defaultSlowTimeout}, KeepAlive: defaultKeepAlive}
		}, brokerKeys),
		optional("http", &c.HTTP, func() HTTPDevice { return HTTPDevice{Peer: Peer{Timeout: defaultSlowTimeout}} },
			httpDeviceKeys),
		optional("command", &c.Command, func() Program { return Program{Timeout: defaultSlowTimeout} },
			func(p *Program) []key {
				return []key{required(value("program", &p.Path, "a path", absolute)), timeout(&p.Timeout)}
			}),
	}
}

func busKeys(b *SerialBus) []key {
	return []key{
		required(value("device", &b.Device, "a path", device)),
		number("baud", &b.Baud, 300, 4_000_000),
		choice("parity", &b.Parity, "even", "odd", "none"),
		number("stop_bits", &b.StopBits, 1, 2),
		optional("rs485", &b.RS485, func() RS485 { return RS485{Send: "high"} }, func(r *RS485) []key {
			return []key{
				choice("send", &r.Send, "high", "low"),
				value("delay_before", &r.DelayBefore, "a time like 1ms", wholeMilliseconds(0, mostRTSDelay)),
				value("delay_after", &r.DelayAfter, "a time like 1ms", wholeMilliseconds(0, mostRTSDelay)),
			}
		}),
		timeout(&b.Timeout),
	}
}

func peerKeys(p *Peer) []key {
	return []key{
		value("user", &p.User, "a name", userName),
		secret("password", &p.Password),
		text("ca", &p.CA, "a path"),
		text("certificate", &p.Certificate, "a path"),
		keyFile("key", &p.Key),
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
		list("headers", &h.Headers, fresh[Header], headerKeys),
	)
}

func headerKeys(f *Header) []key {
	return []key{required(value("name", &f.Name, "the name of a header", token)),
		unquoted("value", &f.Value, "a text", printable), secret("secret", &f.Secret)}
}
