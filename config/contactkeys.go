package config

import (
	"errors"
	"strconv"
	"time"

	"go.yaml.in/yaml/v3"
)

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
		return 0, errors.New("is no status code of an answer; allowed: 200 to 599")
	}
	return n, nil
}
