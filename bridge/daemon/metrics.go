package daemon

import (
	"context"
	"net/netip"

	"go.uber.org/zap"

	"clearback/bridge/metrics"
)

// metricsState returns what a scrape shows. It waits for every line, as [backend.Daemon] does.
func (d *Daemon) metricsState() metrics.State {
	lines := d.all()
	out := metrics.State{Daemon: d.backend.state(lines)}
	for _, l := range lines {
		out.Lines = append(out.Lines, l.metrics)
	}
	out.Standing, out.Ways = d.alarms.figures()
	return out
}

// serveMetrics serves the metrics, if there are any, until stop is called. If that fails, it logs an error, and the
// lines are served without them.
func (d *Daemon) serveMetrics(at netip.AddrPort, healthy func() bool) (stop func()) {
	if d.metrics == nil {
		return func() {}
	}
	s, err := metrics.Listen(metrics.Options{Address: at, Metrics: d.metrics, Healthy: healthy, Unready: d.unready,
		Logger: d.log})
	if err != nil {
		d.log.Error("no metrics; the lines are served without them", zap.Error(err))
		return func() {}
	}
	return func() {
		if err := s.Close(); err != nil {
			d.log.Warn("closing the metrics", zap.Error(err))
		}
	}
}

// unready returns why the daemon does not serve all its lines; nil: it does.
func (d *Daemon) unready() (why []string) {
	select {
	case <-d.ending:
		return []string{"the daemon is ending"}
	default:
	}
	now, cancel := context.WithCancel(context.Background())
	cancel()
	state := d.backend.state(d.all())
	why = metrics.Unready(&state)
	if d.contacts.Ready(now) != nil { // each connection begins with a close
		why = append(why, "a controller is not connected")
	}
	return why
}
