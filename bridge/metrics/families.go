package metrics

import (
	"cmp"
	"slices"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// This file makes the families of a scrape. The registry's own way would check, sort and copy each of several thousand
// series at every scrape, although their names and labels are constants of the code and names of the file, which the
// configuration has checked. It would take twice as long.

// labelsMost is the most labels that a series of ours has.
const labelsMost = 3

// family describes a family of series. It is read-only.
type family struct {
	name, help string
	labels     []string // sorted, as in every exposition of the library
	places     []int    // the place of the first, second and third value among the labels
}

func desc(name, help string, labels ...string) *family {
	f := &family{name: "clearback_" + name, help: help, labels: slices.Sorted(slices.Values(labels))}
	for _, l := range labels {
		f.places = append(f.places, slices.Index(f.labels, l))
	}
	return f
}

// series is one series with everything that it points to, so that it takes one allocation.
type series struct {
	metric  dto.Metric
	counter dto.Counter
	gauge   dto.Gauge
	number  float64
	pairs   [labelsMost]dto.LabelPair
	labels  [labelsMost]*dto.LabelPair
	values  [labelsMost]string
}

// sink takes the numbers of one scrape.
type sink map[*family]*dto.MetricFamily

// add adds a series to a family of a type. There are as many values as labels.
func (s sink) add(f *family, kind dto.MetricType, v float64, values []string) {
	all := s[f]
	if all == nil {
		all = &dto.MetricFamily{Name: &f.name, Help: &f.help, Type: &kind}
		s[f] = all
	}
	n := &series{number: v}
	for i, at := range f.places {
		n.values[at] = values[i]
		n.pairs[at].Name, n.pairs[at].Value = &f.labels[at], &n.values[at]
		n.labels[at] = &n.pairs[at]
	}
	n.metric.Label = n.labels[:len(f.labels)]
	if kind == dto.MetricType_COUNTER {
		n.counter.Value, n.metric.Counter = &n.number, &n.counter
	} else {
		n.gauge.Value, n.metric.Gauge = &n.number, &n.gauge
	}
	all.Metric = append(all.Metric, &n.metric)
}

func (s sink) counter(f *family, n uint64, labels ...string) {
	s.add(f, dto.MetricType_COUNTER, float64(n), labels)
}

func (s sink) gauge(f *family, v float64, labels ...string) {
	s.add(f, dto.MetricType_GAUGE, v, labels)
}

func (s sink) is(f *family, v bool, labels ...string) {
	n := 0.0
	if v {
		n = 1
	}
	s.gauge(f, n, labels...)
}

// Gather implements [prometheus.Gatherer]. Families are sorted by name. The series of a family are in the order of the
// lines.
func (m *Metrics) Gather() ([]*dto.MetricFamily, error) {
	all, err := m.registry.Gather()
	s := sink{}
	s.collect(m.state())
	for _, f := range s {
		all = append(all, f)
	}
	slices.SortFunc(all, func(a, b *dto.MetricFamily) int { return cmp.Compare(a.GetName(), b.GetName()) })
	return all, err
}

var _ prometheus.Gatherer = (*Metrics)(nil)
