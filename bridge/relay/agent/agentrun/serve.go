package agentrun

import (
	"context"
	"fmt"

	"go.uber.org/zap"

	"clearback/bridge/localaddr"
	"clearback/bridge/relay/agent/agentmqtt"
	"clearback/bridge/relay/mqtt/broker"
	"clearback/bridge/relay/transport"
)

// newBroker makes the client that serves the contacts at a broker, if the file names one.
func (p *process) newBroker() (err error) {
	m := p.c.MQTT
	if m == nil {
		return nil
	}
	p.broker, err = agentmqtt.New(p.agent, agentmqtt.Options{
		Broker: broker.Options{
			Address: m.Address, User: m.User, Password: m.Password.Reveal(), Timeout: m.Timeout,
			TLS: transport.TLS{CA: m.CA, Certificate: m.Certificate, Key: m.Key},
		},
		Prefix: m.Prefix,
		Link: func(contact string, err error) {
			if err != nil {
				p.log.Error("not connected to the broker", zap.String("contact", contact), zap.Error(err))
				return
			}
			p.log.Info("connected to the broker", zap.String("contact", contact))
		},
	})
	return err
}

// serve begins to serve masters.
func (p *process) serve() error {
	if p.broker != nil {
		p.broker.Start()
	}
	if !p.c.Listen.IsValid() {
		return nil
	}
	// An agent that starts before the network is up does not restart for it: it would open and release its outputs each
	// time.
	l, err := localaddr.ListenConfig(p.c.Listen.Addr()).Listen(context.Background(), "tcp", p.c.Listen.String())
	if err != nil {
		return fmt.Errorf("listen: %w; see listen: in the agent's file", err)
	}
	go p.agent.Guard(func() {
		if err := p.server.Serve(l); err != nil {
			p.log.Error("serving Modbus TCP", zap.Error(err))
		}
	})
	p.log.Info("serving Modbus TCP", zap.Stringer("address", l.Addr()))
	if !localaddr.Has(p.c.Listen.Addr()) {
		p.log.Warn("this machine does not have the address now; nobody can connect until it does",
			zap.Stringer("address", p.c.Listen.Addr()))
	}
	return nil
}
