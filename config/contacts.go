package config

import "time"

// Contact: the relay contact of a line. The keys unit, coil, timed, watchdog and sense belong to modbus and modbus-rtu;
// open_level to these and to gpio and serial.
type Contact struct {
	Driver     string // driver: none, or that of the controller
	Controller string // controller: name of an entry of controllers
	// Require is the least kind that will do: none, watchdog or oneshot.
	Require string // require: default none
	Unit    uint8  // unit: 1-247, 255
	Coil    uint16 // coil: address, from 0
	// OpenLevel says which level of the output opens the loop: "on" (normally-closed contact) or "off".
	OpenLevel string // open_level:
	// Timed, if not nil, is the board's own timed output.
	Timed *TimedOutput // timed:
	// Watchdog, if not nil, is the board's master time-out.
	Watchdog *WatchdogRegister // watchdog:
	// Sense, if not nil, is the board's loop-current input.
	Sense   *SenseInput  // sense:
	GPIO    *GPIOLine    // gpio:
	Serial  *ControlLine // serial:
	MQTT    *Topics      // mqtt:
	HTTP    *Requests    // http:
	Command *Runs        // command:
	// AcceptOpenIfDaemonDies is the consent a contact of kind none needs.
	AcceptOpenIfDaemonDies bool // accept_open_if_daemon_dies:
	// AcceptOpenIfPowerFails is the consent a contact wired open-when-off needs.
	AcceptOpenIfPowerFails bool // accept_open_if_power_fails:
}

// TimedOutput: writing a length to a register opens the contact for that long; the board ends it.
type TimedOutput struct {
	Register uint16        // register: holding register address, from 0
	Sequence bool          // sequence: register takes a sequence number and the next one the length, both in one request
	Unit     time.Duration // unit: what one count is worth, e.g. 100ms
	Limit    time.Duration // limit: the longest opening
}

// SenseInput: a discrete input of the board reports whether loop current flows.
type SenseInput struct {
	Input       uint16 // input: discrete input address, from 0
	CurrentWhen string // current_when: on or off
}

// WatchdogRegister: the board drops its outputs when its master is silent for a time written to a register.
type WatchdogRegister struct {
	Register uint16        // register: holding register address, from 0
	Unit     time.Duration // unit: what one count is worth
	Timeout  time.Duration // timeout: the value to write
}

// GPIOLine: an output of a GPIO chip.
type GPIOLine struct {
	Line      string     // line: an offset or a name
	ActiveLow bool       // active_low: on is the low voltage
	Drive     string     // drive: push-pull, open-drain or open-source
	Bias      string     // bias: as-is, disabled, pull-up or pull-down
	Sense     *GPIOSense // sense: a loop-current input on the same chip
}

// GPIOSense: an input of a GPIO chip.
type GPIOSense struct {
	Line        string        // line: an offset or a name
	ActiveLow   bool          // active_low:
	Bias        string        // bias:
	CurrentWhen string        // current_when: on or off
	Debounce    time.Duration // debounce: 0 for none
}

// ControlLine: an output of a serial port.
type ControlLine struct {
	Line  string       // line: rts or dtr
	Sense *StatusInput // sense:
}

// StatusInput: an input of a serial port.
type StatusInput struct {
	Line        string // line: cts, dsr, dcd or ri
	CurrentWhen string // current_when: on or off
}

// Topics: a contact behind a broker: Prefix for a device with our own contract, or Plain.
type Topics struct {
	Prefix string        // prefix: what its topics begin with
	Limit  time.Duration // limit: the longest opening it is asked for
	Sense  bool          // sense: it has a loop-current input
	Plain  *PlainDevice  // plain:
}

// PlainDevice: a device with topics of its own.
type PlainDevice struct {
	AcceptLateOpening bool          // accept_late_opening: consent that a broker that stood still may open the loop late
	Timed             *TimedMessage // timed:
	Open              *Message      // open:
	Close             *Message      // close:
	State             *TopicValue   // state:
	Sense             *TopicValue   // sense:
	Available         *TopicOnline  // available:
}

// Message: what is published.
type Message struct {
	Topic   string // topic:
	Payload string // payload:
}

// TimedMessage: an opening that the device ends; {ms} or {s} in it is the length.
type TimedMessage struct {
	Message
	Unit  time.Duration // unit: 0: 1 ms, or 1 s with {s} alone
	Limit time.Duration // limit:
}

// TopicValue: a topic that tells one of two things.
type TopicValue struct {
	Topic        string   // topic:
	Pointer      string   // pointer: a JSON Pointer (RFC 6901)
	Open, Closed []string // open:, closed: values
}

// TopicOnline: a topic that reports whether the device is there.
type TopicOnline struct {
	Topic           string   // topic:
	Pointer         string   // pointer: a JSON Pointer (RFC 6901)
	Online, Offline []string // online:, offline: values
}

// Requests: how a web device drives the contact. Without open, close, read and timed.path it speaks our own contract.
type Requests struct {
	Contact string        // contact: the word {contact}; empty: the line's name
	Timed   *TimedRequest // timed:
	Open    *Request      // open:
	Close   *Request      // close:
	Read    *Question     // read:
	Sense   *Question     // sense:
}

// Request: one request.
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

// Expect: what a successful answer must say.
type Expect struct {
	Pointer string   // pointer: a JSON Pointer (RFC 6901)
	Values  []string // values:
}

// TimedRequest: an opening that the device ends; {ms} or {s} in it is the length.
type TimedRequest struct {
	Request
	Unit  time.Duration // unit:
	Limit time.Duration // limit:
}

// Question: a request whose answer tells one of two things.
type Question struct {
	Request
	Pointer      string   // pointer:
	Open, Closed []string // open:, closed:
}

// Runs: how a program drives the contact.
type Runs struct {
	Arguments []string      // arguments: templates
	Timed     *TimedProgram // timed:
	Read      bool          // read: it knows the action read
	Sense     bool          // sense: it knows the action sense
}

// TimedProgram: the program ends each opening.
type TimedProgram struct {
	Unit  time.Duration // unit: whole milliseconds
	Limit time.Duration // limit:
}
