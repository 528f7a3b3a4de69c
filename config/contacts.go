package config

import "time"

// Contact is the relay contact of a line. The keys unit, coil, timed, watchdog and sense belong to modbus and
// modbus-rtu. open_level belongs to these and to gpio and serial.
type Contact struct {
	Driver     string // driver: none, or that of the controller
	Controller string // controller: name of an entry of controllers
	// Require is the lowest kind that the line accepts: none, watchdog or oneshot.
	Require string // require: default none
	Unit    uint8  // unit: 1-247, 255
	Coil    uint16 // coil: address, from 0
	// OpenLevel says which level of the output opens the loop: "on" (normally-closed contact) or "off".
	OpenLevel string // open_level:
	// Timed, if not nil, is the board's own timed output.
	Timed *TimedOutput // timed:
	// Watchdog, if not nil, is the board's timeout for a silent master.
	Watchdog *WatchdogRegister // watchdog:
	// Sense, if not nil, is the board's loop-current input.
	Sense   *SenseInput  // sense:
	GPIO    *GPIOLine    // gpio:
	Serial  *ControlLine // serial:
	MQTT    *Topics      // mqtt:
	HTTP    *Requests    // http:
	Command *Runs        // command:
	// AcceptOpenIfDaemonDies is the consent that a contact of kind none needs.
	AcceptOpenIfDaemonDies bool // accept_open_if_daemon_dies:
	// AcceptOpenIfPowerFails is the consent that a contact needs if it opens the loop when it has no power.
	AcceptOpenIfPowerFails bool // accept_open_if_power_fails:
}

// TimedOutput is a timed output of a board: writing a length to a register opens the contact for that time, and the
// board ends the opening.
type TimedOutput struct {
	Register uint16 // register: holding register address, from 0
	// sequence: the register takes a sequence number and the next register the length, both written in one request
	Sequence bool
	Unit     time.Duration // unit: the time of one count, e.g. 100ms
	Limit    time.Duration // limit: the longest opening
}

// SenseInput is a discrete input of the board that reports whether loop current flows.
type SenseInput struct {
	Input       uint16 // input: discrete input address, from 0
	CurrentWhen string // current_when: on or off
}

// WatchdogRegister is the timeout register of a board: the board drops its outputs if its master is silent for the time
// written there.
type WatchdogRegister struct {
	Register uint16        // register: holding register address, from 0
	Unit     time.Duration // unit: the time of one count
	Timeout  time.Duration // timeout: the value to write
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

// ControlLine is an output of a serial port.
type ControlLine struct {
	Line  string       // line: rts or dtr
	Sense *StatusInput // sense:
}

// StatusInput is an input of a serial port.
type StatusInput struct {
	Line        string // line: cts, dsr, dcd or ri
	CurrentWhen string // current_when: on or off
}

// Topics is a contact behind a broker. It has a Prefix if the device uses our own contract, else Plain.
type Topics struct {
	Prefix string        // prefix: beginning of its topics
	Limit  time.Duration // limit: the longest opening that is requested
	Sense  bool          // sense: the device has a loop-current input
	Plain  *PlainDevice  // plain:
}

// PlainDevice is a device with topics of its own.
type PlainDevice struct {
	// accept_late_opening: consent that the loop may open late if the broker was stopped
	AcceptLateOpening bool
	Timed             *TimedMessage // timed:
	Open              *Message      // open:
	Close             *Message      // close:
	State             *TopicValue   // state:
	Sense             *TopicValue   // sense:
	Available         *TopicOnline  // available:
}

// Message is a message to publish.
type Message struct {
	Topic   string // topic:
	Payload string // payload:
}

// TimedMessage requests an opening that the device ends. {ms} or {s} in it stands for the length.
type TimedMessage struct {
	Message
	Unit  time.Duration // unit: 0 means 1 ms, or 1 s if only {s} is used
	Limit time.Duration // limit:
}

// TopicValue is a topic that reports one of two states.
type TopicValue struct {
	Topic        string   // topic:
	Pointer      string   // pointer: a JSON Pointer (RFC 6901)
	Open, Closed []string // open:, closed: values
}

// TopicOnline is a topic that reports whether the device is online.
type TopicOnline struct {
	Topic           string   // topic:
	Pointer         string   // pointer: a JSON Pointer (RFC 6901)
	Online, Offline []string // online:, offline: values
}

// Requests says how a web device drives the contact. Without open, close, read and timed.path the device uses our own
// contract.
type Requests struct {
	Contact string        // contact: the word {contact}; empty means the line's name
	Timed   *TimedRequest // timed:
	Open    *Request      // open:
	Close   *Request      // close:
	Read    *Question     // read:
	Sense   *Question     // sense:
}

// Request is one HTTP request to a web device.
type Request struct {
	Method      string   // method: POST, PUT, PATCH, GET
	Path        string   // path:
	Body        string   // body:
	ContentType string   // content_type:
	Headers     []Header // headers:
	Success     []int    // success: status codes
	Refused     []int    // refused: status codes
	Expect      *Expect  // expect:
}

// Expect is what a successful response must contain.
type Expect struct {
	Pointer string   // pointer: a JSON Pointer (RFC 6901)
	Values  []string // values:
}

// TimedRequest requests an opening that the device ends. {ms} or {s} in it stands for the length.
type TimedRequest struct {
	Request
	Unit  time.Duration // unit:
	Limit time.Duration // limit:
}

// Question is a request whose response reports one of two states.
type Question struct {
	Request
	Pointer      string   // pointer:
	Open, Closed []string // open:, closed:
}

// Runs says how a program drives the contact.
type Runs struct {
	Arguments []string      // arguments: templates
	Timed     *TimedProgram // timed:
	Read      bool          // read: the program has the action read
	Sense     bool          // sense: the program has the action sense
}

// TimedProgram says that the program ends each opening.
type TimedProgram struct {
	Unit  time.Duration // unit: whole milliseconds
	Limit time.Duration // limit:
}
