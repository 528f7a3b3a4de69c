package alarms

import "clearback/bridge/relay/transport"

// MQTTOptions are a broker and our topics there.
type MQTTOptions struct {
	// Address is mqtt://host:port, or mqtts://host:port with TLS.
	Address        string
	User, Password string
	TLS            transport.TLS
	// Topic is the beginning of all topics, such as "clearback/millrace".
	Topic string
}
