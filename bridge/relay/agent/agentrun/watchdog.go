package agentrun

import (
	"go.uber.org/zap"

	"clearback/bridge/relay/agent"
)

// feedWatchdogs feeds the machine's watchdog, if the file names one, and the service manager's, if it has one.
func (p *process) feedWatchdogs() error {
	if p.o.Watchdog > 0 {
		p.agent.Feed(p.o.Watchdog, func() { p.o.Notify("WATCHDOG=1") })
	}
	h := p.c.HardwareWatchdog
	if h == nil {
		p.agent.SetHealth(agent.HealthWatchdog, true)
		return nil
	}
	w, err := agent.OpenHardwareWatchdog(h.Device, h.Timeout)
	if err != nil {
		return err
	}
	p.hardware = w
	failing := false // used only by the goroutine that feeds
	p.agent.Feed(w.Timeout()/4, func() {
		err := w.Feed()
		if err != nil && !failing {
			p.log.Error("the hardware watchdog cannot be fed", zap.Error(err))
		}
		failing = err != nil
		p.agent.SetHealth(agent.HealthWatchdog, failing)
	})
	p.log.Info("feeding the hardware watchdog", zap.String("device", h.Device), zap.Duration("timeout", w.Timeout()))
	return nil
}
