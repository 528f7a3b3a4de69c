package config

import (
	"cmp"
	"fmt"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt"
)

// Broker is an MQTT broker.
type Broker struct {
	Address string // address: mqtt://host:port or mqtts://host:port
	Peer
	ClientID  string        // client_id: beginning of the client identifiers of the connections
	KeepAlive time.Duration // keep_alive: whole seconds
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

var mqttDevices = driver{
	name: DriverMQTT, controller: "mqtt", contact: "mqtt", needs: "mqtt",
	controllerKey: func(c *Controller) key {
		return optional("mqtt", &c.MQTT, func() Broker {
			return Broker{Peer: Peer{Timeout: defaultSlowTimeout}, KeepAlive: defaultKeepAlive}
		}, brokerKeys)
	},
	contactKeys: func(c *Contact) []key { return []key{optional("mqtt", &c.MQTT, fresh[Topics], topicsKeys)} },
	check: func(c *Controller) []relay.Fault {
		o := c.MQTTBroker()
		o.Password = c.MQTT.Password.forCheck()
		return o.Check()
	},
	files: func(c *Controller) *Peer {
		if c.MQTT == nil {
			return nil
		}
		return &c.MQTT.Peer
	},
	checkContact: func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.MQTT().Check() },
	share: func(_ *decoder, l *Line, at string, unique uniqueCheck) {
		k := &l.Contact
		switch {
		case k.plain() && k.MQTT.Plain.Close != nil:
			m := k.MQTT.Plain.Close
			unique(at+".mqtt.plain.close", fmt.Sprintf("mqtt %s %q %q", k.Controller, m.Topic, m.Payload),
				fmt.Sprintf("the close at %s", m.Topic), oneContactPerLine)
		case k.MQTT != nil && k.MQTT.Prefix != "":
			unique(at+".mqtt.prefix", "mqtt "+k.Controller+" "+k.MQTT.Prefix,
				fmt.Sprintf("the device %s at %s", k.MQTT.Prefix, k.Controller), oneContactPerLine)
		}
	},
	timer: func(k *Contact) *timer {
		switch {
		case k.MQTT == nil:
		case k.MQTT.Plain == nil:
			return &timer{"mqtt", time.Millisecond, cmp.Or(k.MQTT.Limit, mqtt.DefaultLimit)}
		case k.MQTT.Plain.Timed != nil:
			t := k.MQTT.Plain.Timed
			return &timer{"mqtt.plain.timed", controller.TemplateUnit(t.Unit, t.Topic, t.Payload), t.Limit}
		}
		return nil
	},
	senses: func(k *Contact) bool {
		return k.MQTT != nil && (k.MQTT.Sense || k.MQTT.Plain != nil && k.MQTT.Plain.Sense != nil)
	},
	place: func(k *Contact) string {
		if k.plain() {
			return "a plain device at broker " + k.Controller
		}
		return fmt.Sprintf("device %s at broker %s", k.MQTT.Prefix, k.Controller)
	},
	raise:   func(*Contact) string { return "use a device with our own contract (prefix)" },
	consent: "without timed the loop may stay open if the daemon, the broker or the network fails during an interruption; add timed, or use a device with our own contract (prefix)",
	fails:   "the broker, its network or the device fails",
	dies:    "If the daemon or its link fails during an interruption, the broker tells the device to close; if the broker, its network or the device fails, the loop stays open until somebody closes it",
	late: func(k *Contact) string {
		if !k.plain() {
			return ""
		}
		return "An opening that a broker, the network or the device delays may happen late, during whatever call is then in progress" +
			acceptedLate
	},
}

// plain reports whether the contact is a device behind a broker that does not check tokens. Even if the device times
// its openings, a broker may deliver an opening late.
func (k *Contact) plain() bool { return k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Plain != nil }

func brokerKeys(b *Broker) []key {
	return append(peerKeys(&b.Peer),
		required(value("address", &b.Address, "mqtt://host:port or mqtts://host:port", brokerAddress)),
		value("client_id", &b.ClientID, "a name", clientID),
		value("keep_alive", &b.KeepAlive, "a time like 5s", wholeSeconds(time.Second, time.Minute)),
	)
}

func topicsKeys(t *Topics) []key {
	return []key{
		value("prefix", &t.Prefix, "a topic", topicPrefix),
		duration("limit", &t.Limit, time.Millisecond, controller.LongestLimit),
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

// MQTTBroker returns the options of the driver.
func (c *Controller) MQTTBroker() mqtt.Options {
	k := c.MQTT
	if k == nil {
		return mqtt.Options{Name: c.Name}
	}
	return mqtt.Options{Name: c.Name, Address: k.Address, User: k.User, Password: k.Password.Reveal(), CA: k.CA,
		Certificate: k.Certificate, Key: k.Key, ServerName: k.ServerName, ClientID: k.ClientID, Timeout: k.Timeout,
		KeepAlive: k.KeepAlive}
}

// MQTT returns the options of the driver for the line's contact.
func (l *Line) MQTT() mqtt.ContactOptions {
	t := l.Contact.MQTT
	if t == nil {
		return mqtt.ContactOptions{Name: l.Name}
	}
	return mqtt.ContactOptions{Name: l.Name, Prefix: t.Prefix, Limit: t.Limit, Sense: t.Sense, Plain: t.Plain.options()}
}

func (p *PlainDevice) options() *mqtt.Plain {
	if p == nil {
		return nil
	}
	message := func(m *Message) *mqtt.Message {
		if m == nil {
			return nil
		}
		return &mqtt.Message{Topic: m.Topic, Payload: m.Payload}
	}
	value := func(v *TopicValue) *mqtt.Value {
		if v == nil {
			return nil
		}
		return &mqtt.Value{Topic: v.Topic, Pointer: v.Pointer, Open: v.Open, Closed: v.Closed}
	}
	o := &mqtt.Plain{AcceptLateOpening: p.AcceptLateOpening, Open: message(p.Open), Close: message(p.Close),
		State: value(p.State), Sense: value(p.Sense)}
	if t := p.Timed; t != nil {
		o.Timed = &mqtt.Timed{Message: *message(&t.Message), Unit: t.Unit, Limit: t.Limit}
	}
	if a := p.Available; a != nil {
		o.Available = &mqtt.Availability{Topic: a.Topic, Pointer: a.Pointer, Online: a.Online, Offline: a.Offline}
	}
	return o
}
