package mqtt

import (
	"cmp"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
)

const (
	// DefaultLimit is the longest opening requested from a device with the contract if no limit is set. The device may
	// have a lower limit.
	DefaultLimit = 10 * time.Second
)

func isClientID(s string) bool {
	return len(s) <= 23 && !strings.ContainsFunc(s, func(r rune) bool {
		return (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && r != '-' && r != '_'
	})
}

func (o Options) withDefaults() Options {
	o.Timeout, o.KeepAlive = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.KeepAlive, defaultKeepAlive)
	o.Poll, o.ClientID = cmp.Or(o.Poll, controller.DefaultPoll), cmp.Or(o.ClientID, "clearback")
	return o
}

// broker returns the options of the connection.
func (o Options) broker() broker.Options {
	return broker.Options{Address: o.Address, User: o.User, Password: o.Password, Timeout: o.Timeout,
		KeepAlive: o.KeepAlive, Dial: o.Dial,
		TLS: transport.TLS{CA: o.CA, Certificate: o.Certificate, Key: o.Key, ServerName: o.ServerName}}
}

// Check returns what is wrong with the options. It reads no file.
func (o Options) Check() []relay.Fault {
	o = o.withDefaults()
	f := append(relay.CheckTimes(0, o.Poll), o.broker().Check()...)
	if !isClientID(o.ClientID) {
		f.Add("client_id", "%q is not a client identifier; allowed: 1 to 23 letters, digits, - and _", o.ClientID)
	}
	return f
}

// Check returns what is wrong with the options of a contact.
func (o ContactOptions) Check() []relay.Fault {
	var f relay.Faults
	if (o.Prefix == "") == (o.Plain == nil) {
		exactly := relay.Fault{Problem: "write exactly one of prefix and plain"}
		if o.Plain == nil {
			exactly.Unless = "prefix"
		}
		f = append(f, exactly)
	}
	if p := o.Plain; p != nil {
		if o.Sense {
			f.Add("sense", forContract)
		}
		if o.Limit != 0 {
			f.Add("limit", forContract)
		}
		p.check(&f)
		return f
	}
	if o.Limit != 0 && (o.Limit < time.Millisecond || o.Limit > controller.LongestLimit) {
		f.Add("limit", "%v is out of range; allowed: 1ms to %v", o.Limit, controller.LongestLimit)
	}
	if o.Prefix == "" {
		return f
	}
	if strings.HasPrefix(o.Prefix, "/") || strings.HasSuffix(o.Prefix, "/") {
		f.Add("prefix", "%q is not a topic prefix; it neither begins nor ends with /", o.Prefix)
	}
	checkTopic(&f, "prefix", o.Prefix)
	return f
}

const forContract = "this key is for a device with our own contract (prefix); for a plain device, use the keys below plain"

func checkTopic(f *relay.Faults, key, topic string) {
	if err := broker.CheckTopic(topic); err != nil {
		f.Add(key, "%v", err)
	}
}

func (p *Plain) check(f *relay.Faults) {
	if !p.AcceptLateOpening {
		f.Add("plain", "a broker, network or device that was stopped may deliver an opening late, and the loop then opens during whatever call is in progress; use a device with our own contract (prefix), or accept it with accept_late_opening: true")
	}
	if (p.Timed == nil) == (p.Open == nil) {
		f.Add("plain", "write exactly one of timed and open: timed if the device can end the opening by itself")
	}
	if p.Close == nil {
		*f = append(*f, relay.Missing("plain.close", "it is required: add it here"))
	} else {
		checkTopic(f, "plain.close.topic", p.Close.Topic)
	}
	if p.Timed != nil {
		p.Timed.check(f)
	}
	if p.Open != nil {
		checkTopic(f, "plain.open.topic", p.Open.Topic)
		if p.Close != nil && *p.Open == *p.Close && p.Open.Topic != "" {
			f.Add("plain.open", "this is the same message as close; look up both in the device's manual")
		}
	}
	for i, v := range []*Value{p.State, p.Sense} {
		if v != nil {
			key := []string{"plain.state", "plain.sense"}[i]
			checkValue(f, key, v.Topic, v.Pointer)
			controller.CheckStates(f, key, "open", v.Open, "closed", v.Closed)
		}
	}
	if a := p.Available; a != nil {
		checkValue(f, "plain.available", a.Topic, a.Pointer)
		controller.CheckStates(f, "plain.available", "online", a.Online, "offline", a.Offline)
	}
}

func (t *Timed) check(f *relay.Faults) {
	const key = "plain.timed"
	checkTopic(f, key+".topic", t.Topic)
	if !t.has("{ms}") && !t.has("{s}") {
		*f = append(*f, relay.Fault{Key: key, Unless: key + ".payload",
			Problem: "it contains neither {ms} nor {s}; it has to contain the length of the opening"})
	}
	controller.CheckLength(f, key, t.unit(), t.Limit)
}

func checkValue(f *relay.Faults, key, topic, pointer string) {
	checkTopic(f, key+".topic", topic)
	if err := transport.CheckPointer(pointer); err != nil {
		f.Add(key+".pointer", "%v", err)
	}
}

func (t *Timed) has(word string) bool {
	return strings.Contains(t.Topic, word) || strings.Contains(t.Payload, word)
}

// unit returns the unit to which lengths are rounded up.
func (t *Timed) unit() time.Duration { return controller.TemplateUnit(t.Unit, t.Topic, t.Payload) }
