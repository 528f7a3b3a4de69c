package agentrun

import (
	"context"
	"errors"
	"time"

	"clearback/bridge/relay/agent"
	"clearback/config"
)

// closeRetryPause is the pause between attempts to close a contact that did not close, for example while a serial
// adapter is unplugged. It is the same as the agent's.
const closeRetryPause = 250 * time.Millisecond

// Close tries to close every contact until all are closed or ctx ends. It returns the contacts that are not closed. c
// may have faults, as [config.LoadRelayForClosing] reads it; contacts that cannot be closed for that reason are left
// out. The agent must not be running.
func Close(ctx context.Context, c *config.Relay) ([]agent.NotClosed, error) {
	c = usable(c)
	reasons := map[string]error{} // by contact, from the last attempt
	for {
		a, err := newAgent(c, func(agent.Notice) {})
		if err != nil {
			return nil, err
		}
		a.Start()
		a.Ready(ctx)
		left := a.Shutdown(ctx)
		if len(left) == 0 {
			return nil, nil
		}
		for i := range left { // an attempt that was cut short says less than the last full one
			if reason := reasons[left[i].Contact]; reason != nil && errors.Is(left[i].Err, agent.ErrHung) {
				left[i].Err = reason
			}
			reasons[left[i].Contact] = left[i].Err
		}
		pause := time.NewTimer(closeRetryPause)
		select {
		case <-ctx.Done():
			pause.Stop()
			return left, nil
		case <-pause.C:
		}
	}
}

// usable returns a configuration with the contacts that can be closed. It drops faulty and duplicate contacts, and
// every setting that closing does not need.
func usable(c *config.Relay) *config.Relay {
	u := &config.Relay{MaxInterval: agent.MostInterval, Watchdog: agent.DefaultWatchdog}
	taken := map[string]bool{}
	for _, k := range c.Contacts {
		if _, _, ok := output(k); ok && !taken[k.Name] && len(u.Contacts) < agent.MostContacts {
			u.Contacts = append(u.Contacts, k)
			taken[k.Name] = true
		}
	}
	return u
}
