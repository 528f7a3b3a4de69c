package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Contact: the relay contact of a line. The keys unit, coil, timed, watchdog and sense belong to modbus and modbus-rtu; open_level to these and to
// gpio and serial.
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

// SenseInput: a discrete input of the board tells whether loop current flows.
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

// TopicOnline: a topic that tells whether the device is there.
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

const (
	defaultDeviceLimit = 10 * time.Second // of our own contracts, as the drivers have it
	mostDeviceLimit    = time.Hour
)

func newContact() Contact { return Contact{Unit: defaultUnit, OpenLevel: "on", Require: "none"} }

func contactKeys(c *Contact) []key {
	return []key{
		required(choice("driver", &c.Driver, DriverNone, DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial, DriverMQTT, DriverHTTP, DriverCommand)),
		value("controller", &c.Controller, "the name of a controller", name),
		choice("require", &c.Require, kinds...),
		unit("unit", &c.Unit),
		number("coil", &c.Coil, 0, 65535),
		choice("open_level", &c.OpenLevel, "on", "off"),
		optional("timed", &c.Timed, func() TimedOutput { return TimedOutput{} }, timedKeys),
		optional("watchdog", &c.Watchdog, func() WatchdogRegister { return WatchdogRegister{} }, watchdogKeys),
		optional("sense", &c.Sense, func() SenseInput { return SenseInput{CurrentWhen: "on"} }, senseKeys),
		optional("gpio", &c.GPIO, newGPIOLine, gpioLineKeys),
		optional("serial", &c.Serial, func() ControlLine { return ControlLine{} }, controlLineKeys),
		optional("mqtt", &c.MQTT, func() Topics { return Topics{Limit: defaultDeviceLimit} }, topicsKeys),
		optional("http", &c.HTTP, func() Requests { return Requests{} }, requestsKeys),
		optional("command", &c.Command, func() Runs { return Runs{} }, runsKeys),
		yesNo("accept_open_if_daemon_dies", &c.AcceptOpenIfDaemonDies),
		yesNo("accept_open_if_power_fails", &c.AcceptOpenIfPowerFails),
	}
}

var biases = []string{"as-is", "disabled", "pull-up", "pull-down"}

func newGPIOLine() GPIOLine { return GPIOLine{Drive: "push-pull", Bias: "as-is"} }

func gpioLineKeys(g *GPIOLine) []key {
	return []key{
		required(text("line", &g.Line, "an offset or a name")),
		yesNo("active_low", &g.ActiveLow),
		choice("drive", &g.Drive, "push-pull", "open-drain", "open-source"),
		choice("bias", &g.Bias, biases...),
		optional("sense", &g.Sense, func() GPIOSense { return GPIOSense{Bias: "as-is", CurrentWhen: "on"} }, func(s *GPIOSense) []key {
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

func controlLineKeys(l *ControlLine) []key {
	return []key{
		required(choice("line", &l.Line, "rts", "dtr")),
		optional("sense", &l.Sense, func() StatusInput { return StatusInput{CurrentWhen: "on"} }, func(s *StatusInput) []key {
			return []key{required(choice("line", &s.Line, "cts", "dsr", "dcd", "ri")), choice("current_when", &s.CurrentWhen, "on", "off")}
		}),
	}
}

func topicsKeys(t *Topics) []key {
	return []key{
		value("prefix", &t.Prefix, "a topic", topicPrefix),
		duration("limit", &t.Limit, time.Millisecond, mostDeviceLimit),
		yesNo("sense", &t.Sense),
		optional("plain", &t.Plain, func() PlainDevice { return PlainDevice{} }, func(p *PlainDevice) []key {
			return []key{
				yesNo("accept_late_opening", &p.AcceptLateOpening),
				optional("timed", &p.Timed, func() TimedMessage { return TimedMessage{} }, func(m *TimedMessage) []key {
					return append(messageKeys(&m.Message), lengthKeys(&m.Unit, &m.Limit)...)
				}),
				optional("open", &p.Open, func() Message { return Message{} }, messageKeys),
				required(optional("close", &p.Close, func() Message { return Message{} }, messageKeys)),
				optional("state", &p.State, func() TopicValue { return TopicValue{} }, topicValueKeys),
				optional("sense", &p.Sense, func() TopicValue { return TopicValue{} }, topicValueKeys),
				optional("available", &p.Available, func() TopicOnline { return TopicOnline{} }, func(o *TopicOnline) []key {
					return []key{
						required(text("topic", &o.Topic, "a topic")), anyText("pointer", &o.Pointer),
						required(values("online", &o.Online, "a value", asWritten)), required(values("offline", &o.Offline, "a value", asWritten)),
					}
				}),
			}
		}),
	}
}

func messageKeys(m *Message) []key {
	return []key{required(text("topic", &m.Topic, "a topic")), required(anyText("payload", &m.Payload))}
}

func topicValueKeys(v *TopicValue) []key {
	return append(twoValues(&v.Pointer, &v.Open, &v.Closed), required(text("topic", &v.Topic, "a topic")))
}

func twoValues(pointer *string, open, closed *[]string) []key {
	return []key{
		anyText("pointer", pointer),
		required(values("open", open, "a value", asWritten)), required(values("closed", closed, "a value", asWritten)),
	}
}

func lengthKeys(unit, limit *time.Duration) []key {
	return []key{duration("unit", unit, time.Millisecond, mostDeviceLimit), required(duration("limit", limit, time.Millisecond, mostDeviceLimit))}
}

func requestsKeys(r *Requests) []key {
	return []key{
		text("contact", &r.Contact, "a name"),
		optional("timed", &r.Timed, func() TimedRequest { return TimedRequest{} }, func(t *TimedRequest) []key {
			return append(requestKeys(&t.Request), duration("unit", &t.Unit, time.Millisecond, mostDeviceLimit), duration("limit", &t.Limit, time.Millisecond, mostDeviceLimit))
		}),
		optional("open", &r.Open, func() Request { return Request{} }, requestKeys),
		optional("close", &r.Close, func() Request { return Request{} }, requestKeys),
		optional("read", &r.Read, func() Question { return Question{} }, questionKeys),
		optional("sense", &r.Sense, func() Question { return Question{} }, questionKeys),
	}
}

func requestKeys(r *Request) []key {
	return []key{
		choice("method", &r.Method, "POST", "PUT", "PATCH", "GET"),
		anyText("path", &r.Path),
		anyText("body", &r.Body),
		text("content_type", &r.ContentType, "a media type"),
		list("headers", &r.Headers, func() Header { return Header{} }, headerKeys),
		values("success", &r.Success, "a status code", statusCode),
		values("refused", &r.Refused, "a status code", statusCode),
		optional("expect", &r.Expect, func() Expect { return Expect{} }, func(e *Expect) []key {
			return []key{anyText("pointer", &e.Pointer), required(values("values", &e.Values, "a value", asWritten))}
		}),
	}
}

func questionKeys(q *Question) []key {
	return append(requestKeys(&q.Request), twoValues(&q.Pointer, &q.Open, &q.Closed)...)
}

func runsKeys(r *Runs) []key {
	return []key{
		values("arguments", &r.Arguments, "a text", asWritten),
		optional("timed", &r.Timed, func() TimedProgram { return TimedProgram{} }, func(t *TimedProgram) []key { return lengthKeys(&t.Unit, &t.Limit) }),
		yesNo("read", &r.Read),
		yesNo("sense", &r.Sense),
	}
}

func asWritten(s string) (string, error) { return s, nil }

// anyText is a text as it is written; true, false and null are texts too.
func anyText(name string, into *string) key {
	return key{name: name, read: func(d *decoder, path string, n *yaml.Node) {
		if n = resolve(n); n.Kind != yaml.ScalarNode {
			d.add(n, "%s: %s where a text is needed", path, kindOf(n))
			return
		}
		*into = n.Value
	}}
}

func statusCode(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || n < 200 || n > 599 {
		return 0, fmt.Errorf("is no status code of an answer; allowed: 200 to 599")
	}
	return n, nil
}

// kinds in their order: each does what those before it do.
var kinds = []string{"none", "watchdog", "oneshot"}

// kind is what ends an opening when the daemon does not: "oneshot", "watchdog" or "none".
func (k *Contact) kind() string {
	switch {
	case k.ownTimer() != nil && (k.Driver != DriverMQTT || k.MQTT.Plain == nil):
		return "oneshot"
	case (k.Driver == DriverModbus || k.Driver == DriverModbusRTU) && k.Watchdog != nil:
		return "watchdog"
	}
	return "none"
}

// timer is a controller's own.
type timer struct {
	at          string // its place below the contact
	unit, limit time.Duration
}

// ownTimer is that of the controller, nil if it has none.
func (k *Contact) ownTimer() *timer {
	whole := func(unit time.Duration) time.Duration { return max(unit, time.Millisecond) }
	switch {
	case (k.Driver == DriverModbus || k.Driver == DriverModbusRTU) && k.Timed != nil:
		return &timer{"timed", k.Timed.Unit, k.Timed.Limit}
	case k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Plain == nil:
		return &timer{"mqtt", time.Millisecond, k.MQTT.Limit}
	case k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Plain.Timed != nil:
		t := k.MQTT.Plain.Timed
		return &timer{"mqtt.plain.timed", secondsAlone(t.Unit, t.Topic+t.Payload), t.Limit}
	case k.Driver == DriverHTTP && k.HTTP != nil && k.HTTP.contract():
		t := &timer{"http", time.Millisecond, defaultDeviceLimit}
		if o := k.HTTP.Timed; o != nil {
			t = &timer{"http.timed", whole(o.Unit), o.Limit}
			if t.limit == 0 {
				t.limit = defaultDeviceLimit
			}
		}
		return t
	case k.Driver == DriverHTTP && k.HTTP != nil && k.HTTP.Timed != nil:
		t := k.HTTP.Timed
		return &timer{"http.timed", secondsAlone(t.Unit, t.Path+t.Body), t.Limit}
	case k.Driver == DriverCommand && k.Command != nil && k.Command.Timed != nil:
		return &timer{"command.timed", whole(k.Command.Timed.Unit), k.Command.Timed.Limit}
	}
	return nil
}

// secondsAlone is the unit of a device that is told {s} and not {ms}, if nothing else is set.
func secondsAlone(unit time.Duration, template string) time.Duration {
	switch {
	case unit > 0:
		return unit
	case strings.Contains(template, "{s}") && !strings.Contains(template, "{ms}"):
		return time.Second
	}
	return time.Millisecond
}

// contract tells whether a web device speaks our own.
func (r *Requests) contract() bool {
	return r.Open == nil && r.Close == nil && r.Read == nil && (r.Timed == nil || r.Timed.Path == "")
}

// hasSense tells whether there is a loop-current input.
func (k *Contact) hasSense() bool {
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		return k.Sense != nil
	case DriverGPIO:
		return k.GPIO != nil && k.GPIO.Sense != nil
	case DriverSerial:
		return k.Serial != nil && k.Serial.Sense != nil
	case DriverMQTT:
		return k.MQTT != nil && (k.MQTT.Sense || k.MQTT.Plain != nil && k.MQTT.Plain.Sense != nil)
	case DriverHTTP:
		return k.HTTP != nil && k.HTTP.Sense != nil
	case DriverCommand:
		return k.Command != nil && k.Command.Sense
	}
	return false
}

// hasLevel tells whether open_level has a meaning: elsewhere open and close are said in words.
func (k *Contact) hasLevel() bool {
	return slices.Contains([]string{DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial}, k.Driver)
}

func (d *decoder) checkContact(c *Config, l *Line, at string) {
	k := &l.Contact
	if k.Driver == DriverNone || k.Driver == "" {
		return
	}
	i := slices.IndexFunc(c.Controllers, func(b Controller) bool { return b.Name == k.Controller })
	switch {
	case !d.has(at + ".controller"):
		d.add(d.at(at), "%s.controller is missing; driver %s needs one of controllers: %s", at, k.Driver, c.controllerNames())
	case i < 0 && k.Controller != "":
		d.add(d.at(at+".controller"), "%s.controller: %q is not one of controllers: %s", at, k.Controller, c.controllerNames())
	case i >= 0 && c.Controllers[i].Driver != "" && c.Controllers[i].Driver != k.Driver:
		d.add(d.at(at+".driver"), "%s.driver: %s, but controller %s is driven by %s; write that, or name another controller", at, k.Driver, k.Controller, c.Controllers[i].Driver)
	}
	d.checkBlocks(k, at)
	if k.kind() == "none" && !k.AcceptOpenIfDaemonDies {
		d.add(d.at(at), "%s: %s", at, k.unbounded())
	}
	if slices.Index(kinds, k.kind()) < slices.Index(kinds, k.Require) {
		d.add(d.at(at+".require"), "%s.require: %s is asked for, and this contact is of kind %s: %s", at, k.Require, k.kind(), kindHelp[k.Require])
	}
	if k.hasLevel() && k.OpenLevel == "off" && !k.AcceptOpenIfPowerFails {
		d.add(d.at(at+".open_level"), "%s.open_level: with off the loop opens whenever the %s loses power; wire the normally-closed contact and write on, or accept it with accept_open_if_power_fails: true", at, k.thing())
	}
	if k.Watchdog != nil && k.flat() {
		d.checkWatchdog(l, at)
	}
	if k.ownTimer() != nil {
		d.checkTimed(l, at)
	}
}

var kindHelp = map[string]string{
	"oneshot":  "let the controller itself end the opening (timed, or a contract of ours), or ask for less",
	"watchdog": "add timed or watchdog, or ask for less",
}

// unbounded words what a contact of kind none needs the user's consent for.
func (k *Contact) unbounded() string {
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		return "without timed or watchdog the loop stays open if the daemon or the link to the board dies in an interruption; add timed or watchdog, or accept it with accept_open_if_daemon_dies: true"
	case DriverGPIO, DriverSerial:
		return "the loop may stay open if the daemon dies in an interruption, since nothing else times it; let clearback relay drive the contact and name that as a modbus controller, or accept it with accept_open_if_daemon_dies: true"
	case DriverMQTT:
		return "a device without our contract may keep the loop open if the daemon, the broker or the network dies in an interruption, or open it late; take one with the contract, or accept it with accept_open_if_daemon_dies: true"
	}
	return "without timed the loop stays open if the daemon or the way to the contact dies in an interruption; add timed, or accept it with accept_open_if_daemon_dies: true"
}

// flat tells whether the contact's own keys are those of Modbus.
func (k *Contact) flat() bool { return k.Driver == DriverModbus || k.Driver == DriverModbusRTU }

// thing is what loses power.
func (k *Contact) thing() string {
	if k.flat() {
		return "board"
	}
	return "machine"
}

// checkBlocks finds settings of other drivers, and misses those of this one.
func (d *decoder) checkBlocks(k *Contact, at string) {
	for _, b := range blocks {
		path := at + "." + b.contact
		switch {
		case b.contact == "":
		case b.driver == k.Driver && !d.has(path) && b.driver != DriverHTTP && b.driver != DriverCommand:
			d.add(d.at(at), "%s is missing; driver %s needs it", path, k.Driver)
		case b.driver != k.Driver && d.has(path):
			d.add(d.at(path), "%s: driver is %s, so this is not used; remove it, or write driver: %s", path, k.Driver, b.driver)
		}
	}
	for _, key := range []string{"unit", "coil", "timed", "watchdog", "sense"} {
		if path := at + "." + key; !k.flat() && d.has(path) {
			d.add(d.at(path), "%s: this belongs to driver modbus or modbus-rtu, and driver is %s; remove it, or look below %s", path, k.Driver, k.Driver)
		}
	}
	if path := at + ".open_level"; !k.hasLevel() && d.has(path) {
		d.add(d.at(path), "%s: driver %s says open and close in words of its own; remove it", path, k.Driver)
	}
	switch {
	case k.flat() && !d.has(at+".coil"):
		d.add(d.at(at), "%s.coil is missing; driver %s needs it: the coil's address, counted from 0", at, k.Driver)
	case k.Driver == DriverModbusRTU && k.Unit == 255:
		d.add(d.at(at+".unit"), "%s.unit: 255 is for boards on Modbus TCP; allowed on a serial line: 1 to 247", at)
	case k.Driver == DriverMQTT && k.MQTT != nil:
		d.checkTopics(k.MQTT, at+".mqtt")
	case k.Driver == DriverHTTP && k.HTTP != nil:
		d.checkRequests(k.HTTP, at+".http")
	case k.Driver == DriverCommand && k.Command != nil:
		d.checkArguments(k.Command, at+".command")
	}
}

func (d *decoder) checkTopics(t *Topics, at string) {
	if p := t.Plain; p != nil {
		if !p.AcceptLateOpening {
			d.add(d.at(at+".plain"), "%s.plain: a broker, a network or a device that stood still may deliver an opening late, and then the loop opens under whatever call there is by then; take a device with our contract (prefix), or accept it with accept_late_opening: true", at)
		}
		if (p.Timed == nil) == (p.Open == nil) {
			d.add(d.at(at+".plain"), "%s.plain: write exactly one of timed and open: timed if the device can end the opening by itself", at)
		}
	}
	if (t.Prefix == "") == (t.Plain == nil) && (t.Plain != nil || !d.has(at+".prefix")) {
		d.add(d.at(at), "%s: write exactly one of prefix and plain", at)
	}
}

func (d *decoder) checkRequests(r *Requests, at string) {
	for _, q := range []*Request{r.Open, r.Close} {
		if q != nil {
			d.checkHeaders(q.Headers, at)
		}
	}
	switch {
	case r.contract():
	case r.Close == nil:
		d.add(d.at(at), "%s.close is missing; how else would an opening be ended early?", at)
	case r.Timed != nil && r.Open != nil:
		d.add(d.at(at+".open"), "%s.open: the device times openings (timed), so it is never told to open without an end; remove it", at)
	case r.Timed == nil && r.Open == nil:
		d.add(d.at(at), "%s: add timed if the device can end an opening by itself, else open", at)
	}
}

func (d *decoder) checkArguments(r *Runs, at string) {
	if r.Arguments == nil {
		return
	}
	has := func(w string) bool {
		return slices.ContainsFunc(r.Arguments, func(a string) bool { return strings.Contains(a, w) })
	}
	if !has("{action}") {
		d.add(d.at(at+".arguments"), "%s.arguments: none has the word {action}, so open and close would be the same", at)
	}
	if r.Timed != nil && !has("{ms}") {
		d.add(d.at(at+".arguments"), "%s.arguments: none has the word {ms}, and with timed the program needs the length", at)
	}
}
