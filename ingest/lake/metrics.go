package lake

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	reg      prometheus.Registerer
	rows     *prometheus.CounterVec
	commits  prometheus.Histogram
	failures prometheus.Counter
	buffered prometheus.Gauge
	files    *prometheus.GaugeVec
	bytes    *prometheus.GaugeVec
	last     prometheus.Gauge
	all      []prometheus.Collector
}

// newMetrics registers the lake's metrics; a nil registerer keeps them to itself.
func newMetrics(reg prometheus.Registerer) (*metrics, error) {
	m := &metrics{
		reg:      reg,
		rows:     prometheus.NewCounterVec(prometheus.CounterOpts{Name: "marginline_lake_rows_committed_total", Help: "Rows committed."}, []string{"table"}),
		commits:  prometheus.NewHistogram(prometheus.HistogramOpts{Name: "marginline_lake_commit_seconds", Help: "Time of a commit that wrote something.", Buckets: prometheus.ExponentialBuckets(0.005, 2, 12)}),
		failures: prometheus.NewCounter(prometheus.CounterOpts{Name: "marginline_lake_commit_failures_total", Help: "Commits that failed and are tried again."}),
		buffered: prometheus.NewGauge(prometheus.GaugeOpts{Name: "marginline_lake_buffered_rows", Help: "Rows waiting for the next commit."}),
		files:    prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "marginline_lake_files", Help: "Data files in the committed state."}, []string{"table"}),
		bytes:    prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "marginline_lake_bytes", Help: "Size of the data files in the committed state."}, []string{"table"}),
		last:     prometheus.NewGauge(prometheus.GaugeOpts{Name: "marginline_lake_last_commit_timestamp_seconds", Help: "When the newest committed rows were committed."}),
	}
	m.all = []prometheus.Collector{m.rows, m.commits, m.failures, m.buffered, m.files, m.bytes, m.last}
	if reg == nil {
		return m, nil
	}
	for _, c := range m.all {
		if err := reg.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (m *metrics) unregister() {
	if m.reg == nil {
		return
	}
	for _, c := range m.all {
		m.reg.Unregister(c)
	}
}

func (m *metrics) committed(rows [tableCount]int, took time.Duration) {
	for i, n := range rows {
		m.rows.WithLabelValues(specs[i].name).Add(float64(n))
	}
	m.commits.Observe(took.Seconds())
}

func (m *metrics) show(s *set) {
	for i, h := range s.heads {
		m.files.WithLabelValues(specs[i].name).Set(float64(len(h.files)))
		m.bytes.WithLabelValues(specs[i].name).Set(float64(h.bytes))
	}
	if at := s.heads[reports].at; !at.IsZero() {
		m.last.Set(float64(at.UnixMilli()) / 1000)
	}
}
