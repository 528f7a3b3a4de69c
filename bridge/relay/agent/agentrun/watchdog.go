package agentrun

import (
	"os"
	"strconv"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/relay/agent"
)

// feedWatchdogs feeds the machine's watchdog, if the file names one, and the service manager's, if it has one.
func (p *process) feedWatchdogs() error {
	if every, ok := managerWatchdog(); ok {
		p.agent.Feed(every, func() { p.o.Notify("WATCHDOG=1") })
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

// managerWatchdog returns how often to feed the service manager's watchdog: every quarter of the time that it allows.
// See sd_watchdog_enabled(3).
func managerWatchdog() (every time.Duration, ok bool) {
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0, false
	}
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || us < 1000 {
		return 0, false
	}
	return time.Duration(us) * time.Microsecond / 4, true
}
