package config

import (
	"time"

	"clearback/supervision"
)

const (
	defaultDeviceLimit = 10 * time.Second // of our own contracts; the drivers use the same
	mostDeviceLimit    = time.Hour
)

func newContact() Contact { return Contact{Unit: defaultUnit, OpenLevel: "on"} }

func contactKeys(c *Contact) []key {
	return []key{
		required(choice("driver", &c.Driver, DriverNone, DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial,
			DriverMQTT, DriverHTTP, DriverCommand)),
		value("controller", &c.Controller, "the name of a controller", name),
		choice("require", &c.Require, kinds...),
		unit("unit", &c.Unit),
		number("coil", &c.Coil, 0, 65535),
		choice("open_level", &c.OpenLevel, "on", "off"),
		optional("timed", &c.Timed, fresh[TimedOutput], timedKeys),
		optional("watchdog", &c.Watchdog, fresh[WatchdogRegister], watchdogKeys),
		optional("sense", &c.Sense, func() SenseInput { return SenseInput{CurrentWhen: "on"} }, senseKeys),
		optional("gpio", &c.GPIO, newGPIOLine, gpioLineKeys),
		optional("serial", &c.Serial, fresh[ControlLine], controlLineKeys),
		optional("mqtt", &c.MQTT, func() Topics { return Topics{Limit: defaultDeviceLimit} }, topicsKeys),
		optional("http", &c.HTTP, fresh[Requests], requestsKeys),
		optional("command", &c.Command, fresh[Runs], runsKeys),
		yesNo("accept_open_if_daemon_dies", &c.AcceptOpenIfDaemonDies),
		yesNo("accept_open_if_power_fails", &c.AcceptOpenIfPowerFails),
	}
}

var biases = []string{"as-is", "disabled", "pull-up", "pull-down"}

func fresh[T any]() T {
	var zero T
	return zero
}

func newGPIOLine() GPIOLine { return GPIOLine{Drive: "push-pull", Bias: "as-is"} }

func gpioLineKeys(g *GPIOLine) []key {
	return []key{
		required(text("line", &g.Line, "an offset or a name")),
		yesNo("active_low", &g.ActiveLow),
		choice("drive", &g.Drive, "push-pull", "open-drain", "open-source"),
		choice("bias", &g.Bias, biases...),
		optional("sense", &g.Sense, func() GPIOSense { return GPIOSense{Bias: "as-is", CurrentWhen: "on"} },
			func(s *GPIOSense) []key {
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
		optional("sense", &l.Sense, func() StatusInput { return StatusInput{CurrentWhen: "on"} },
			func(s *StatusInput) []key {
				return []key{required(choice("line", &s.Line, "cts", "dsr", "dcd", "ri")),
					choice("current_when", &s.CurrentWhen, "on", "off")}
			}),
	}
}

func topicsKeys(t *Topics) []key {
	return []key{
		value("prefix", &t.Prefix, "a topic", topicPrefix),
		duration("limit", &t.Limit, time.Millisecond, mostDeviceLimit),
		yesNo("sense", &t.Sense),
		optional("plain", &t.Plain, fresh[PlainDevice], plainDeviceKeys),
	}
}

func plainDeviceKeys(p *PlainDevice) []key {
	return []key{
		yesNo("accept_late_opening", &p.AcceptLateOpening),
		optional("timed", &p.Timed, fresh[TimedMessage], func(m *TimedMessage) []key {
			return append(messageKeys(&m.Message), lengthUnit(&m.Unit), required(lengthLimit(&m.Limit)))
		}),
		optional("open", &p.Open, fresh[Message], messageKeys),
		required(optional("close", &p.Close, fresh[Message], messageKeys)),
		optional("state", &p.State, fresh[TopicValue], topicValueKeys),
		optional("sense", &p.Sense, fresh[TopicValue], topicValueKeys),
		optional("available", &p.Available, fresh[TopicOnline], func(o *TopicOnline) []key {
			return []key{
				required(value("topic", &o.Topic, "a topic", topic)),
				value("pointer", &o.Pointer, "a JSON Pointer", jsonPointer),
				required(literals("online", &o.Online)), required(literals("offline", &o.Offline)),
			}
		}),
	}
}

func messageKeys(m *Message) []key {
	return []key{required(value("topic", &m.Topic, "a topic", topic)), required(literal("payload", &m.Payload))}
}

func topicValueKeys(v *TopicValue) []key {
	return append([]key{required(value("topic", &v.Topic, "a topic", topic))},
		twoValues(&v.Pointer, &v.Open, &v.Closed)...)
}

func twoValues(pointer *string, open, closed *[]string) []key {
	return []key{value("pointer", pointer, "a JSON Pointer", jsonPointer), required(literals("open", open)),
		required(literals("closed", closed))}
}

// No opening is longer than IntervalCeiling, so no unit needs to be longer.
func lengthUnit(into *time.Duration) key {
	return value("unit", into, "a time like 100ms", wholeMilliseconds(time.Millisecond, supervision.IntervalCeiling))
}

func lengthLimit(into *time.Duration) key {
	return duration("limit", into, time.Millisecond, mostDeviceLimit)
}

func requestsKeys(r *Requests) []key {
	return []key{
		value("contact", &r.Contact, "a name", unreserved),
		optional("timed", &r.Timed, fresh[TimedRequest], func(t *TimedRequest) []key {
			return append(requestKeys(&t.Request), lengthUnit(&t.Unit), lengthLimit(&t.Limit))
		}),
		optional("open", &r.Open, fresh[Request], requestKeys),
		optional("close", &r.Close, fresh[Request], requestKeys),
		optional("read", &r.Read, fresh[Question], questionKeys),
		optional("sense", &r.Sense, fresh[Question], questionKeys),
	}
}

func requestKeys(r *Request) []key {
	return []key{
		choice("method", &r.Method, "POST", "PUT", "PATCH", "GET"),
		unquoted("path", &r.Path, "a path", requestPath), // the query may contain a key
		literal("body", &r.Body),
		value("content_type", &r.ContentType, "a media type", printable),
		list("headers", &r.Headers, fresh[Header], headerKeys),
		values("success", &r.Success, "a status code", statusCode),
		values("refused", &r.Refused, "a status code", statusCode),
		optional("expect", &r.Expect, fresh[Expect], func(e *Expect) []key {
			return []key{value("pointer", &e.Pointer, "a JSON Pointer", jsonPointer),
				required(literals("values", &e.Values))}
		}),
	}
}

func questionKeys(q *Question) []key {
	return append(requestKeys(&q.Request), twoValues(&q.Pointer, &q.Open, &q.Closed)...)
}

func runsKeys(r *Runs) []key {
	return []key{
		arguments("arguments", &r.Arguments),
		optional("timed", &r.Timed, fresh[TimedProgram], func(t *TimedProgram) []key {
			return []key{lengthUnit(&t.Unit), required(lengthLimit(&t.Limit))}
		}),
		yesNo("read", &r.Read),
		yesNo("sense", &r.Sense),
	}
}
