// Package metrics shows a fleet's monitoring what the daemon knows about itself: numbers for Prometheus at /metrics,
// whether the process runs at /healthz, and whether it serves its lines at /readyz.
//
// The numbers are those of the control socket, and counts of the events, effects and accounts that the record of each
// line gets. No label has a value from outside: lines, controllers and ways of the alarms have their names of the file,
// and every other value is a word of the code.
//
// A line counts in its own goroutine, with atomic operations only, so that it never waits for a scrape. To keep a
// scrape small, a series whose label is a word appears when it first counts. Incidents that concern one call only are
// the exception.
package metrics

import (
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"go.uber.org/zap"

	"clearback/bridge/alarms"
	"clearback/bridge/control"
	"clearback/supervision/alarm"
)

// State is what a scrape shows beside the histograms.
type State struct {
	Daemon control.Daemon
	// Lines are the counts of Daemon.Lines, in the same order.
	Lines []*Line
	// Standing counts the alarms that stand, by class. Both are nil if the file has no way for alarms.
	Standing map[alarm.Class]int
	Ways     map[string]alarms.Status
}

// Metrics are the numbers of a daemon. A nil Metrics counts nothing. Its methods may be called from any goroutine.
type Metrics struct {
	registry *prometheus.Registry // of everything but the state
	state    func() State

	asked, measured, byeToOpen, emergencyPassed prometheus.Histogram
	jitter                                      [sides]prometheus.Histogram
	late, dropped                               [sides]prometheus.Counter
}

// Upper bounds of the histograms' buckets, in seconds. Our own numbers.
var (
	intervalBuckets = []float64{.25, .35, .5, .65, .8, 1, 1.25, 1.5, 2, 3}
	// passingBuckets are for what takes about a millisecond. No loop opens later than 2 s after a BYE (invariant 11).
	passingBuckets = []float64{.0005, .001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5}
	jitterBuckets  = []float64{.001, .002, .005, .01, .02, .03, .05, .1, .2}
)

// New returns the numbers of a daemon of that version. Each scrape calls state, from any goroutine. A scrape lasts as
// long as state does.
func New(version string, state func() State) *Metrics {
	m := &Metrics{registry: prometheus.NewRegistry(), state: state}
	histogram := func(name, help string, buckets []float64, labels prometheus.Labels) prometheus.Histogram {
		h := prometheus.NewHistogram(prometheus.HistogramOpts{Name: name, Help: help, Buckets: buckets,
			ConstLabels: labels})
		m.registry.MustRegister(h)
		return h
	}
	counter := func(name, help, from string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help,
			ConstLabels: prometheus.Labels{"from": from}})
		m.registry.MustRegister(c)
		return c
	}
	m.asked = histogram("clearback_interruption_asked_seconds", "Length of the openings that were asked for.",
		intervalBuckets, nil)
	m.measured = histogram("clearback_interruption_measured_seconds",
		"Length of the openings between the controller's confirmations of opening and closing.", intervalBuckets, nil)
	m.byeToOpen = histogram("clearback_bye_to_open_seconds",
		"Time from the far end's BYE to the controller's confirmation that the loop is open, without repetitions and trials.",
		passingBuckets, nil)
	m.emergencyPassed = histogram("clearback_emergency_passed_seconds",
		"Time from the arrival of an adapter's emergency call to the INVITE that was sent to the service.",
		passingBuckets, nil)
	for side, name := range sideWords {
		m.jitter[side] = histogram("clearback_rtp_jitter_seconds",
			"Jitter (RFC 3550 appendix A.8) at the end of each call whose media was relayed.", jitterBuckets,
			prometheus.Labels{"from": name})
		m.late[side] = counter("clearback_rtp_late_packets_total",
			"RTP packets out of order or twice, in calls that have ended.", name)
		m.dropped[side] = counter("clearback_rtp_dropped_packets_total",
			"Packets from a wrong source or of a wrong kind, in calls that have ended.", name)
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "clearback_build_info",
		Help:        "Always 1; the labels have the versions of the daemon and of Go.",
		ConstLabels: prometheus.Labels{"version": version, "goversion": runtime.Version()}})
	build.Set(1)
	m.registry.MustRegister(build, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// EmergencyPassed counts an emergency call of an adapter that was sent to a service, and the time that this took.
func (m *Metrics) EmergencyPassed(took time.Duration) { m.emergencyPassed.Observe(took.Seconds()) }

// scrape returns the handler of /metrics. What cannot be collected is left out and logged.
func (m *Metrics) scrape(log *zap.Logger) http.Handler {
	return promhttp.HandlerFor(m, promhttp.HandlerOpts{
		ErrorLog: zap.NewStdLog(log.Named("metrics")), ErrorHandling: promhttp.ContinueOnError,
		DisableCompression: true, // it would cost more than the bytes on a local network
	})
}
