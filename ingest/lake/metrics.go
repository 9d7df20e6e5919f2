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
	small    prometheus.Gauge
	bytes    *prometheus.GaugeVec
	metadata *prometheus.GaugeVec
	last     prometheus.Gauge

	manifests, manifestBytes *prometheus.GaugeVec

	merged, mergedRows prometheus.Counter
	held               prometheus.Gauge
	lastCompaction     prometheus.Gauge
	condemned          prometheus.Gauge
	swept, sweptBytes  prometheus.Counter
	upkeepFailures     *prometheus.CounterVec
	free, floor        prometheus.Gauge

	driftWaiting  prometheus.Gauge
	driftCommits  prometheus.Histogram
	driftFailures prometheus.Counter
	folds         prometheus.Counter

	all []prometheus.Collector
}

// newMetrics registers the lake's metrics; a nil registerer keeps them to itself.
func newMetrics(reg prometheus.Registerer) (*metrics, error) {
	m := &metrics{reg: reg}
	add := func(c prometheus.Collector) { m.all = append(m.all, c) }
	counter := func(name, help string) prometheus.Counter {
		c := prometheus.NewCounter(prometheus.CounterOpts{Name: "marginline_lake_" + name, Help: help})
		add(c)
		return c
	}
	gauge := func(name, help string) prometheus.Gauge {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: "marginline_lake_" + name, Help: help})
		add(g)
		return g
	}
	perTable := func(name, help string) *prometheus.GaugeVec {
		g := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "marginline_lake_" + name, Help: help}, []string{"table"})
		add(g)
		return g
	}
	m.rows = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "marginline_lake_rows_committed_total", Help: "Rows committed."}, []string{"table"})
	m.commits = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "marginline_lake_commit_seconds", Help: "Time of a commit that wrote something.", Buckets: prometheus.ExponentialBuckets(0.005, 2, 12)})
	m.upkeepFailures = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "marginline_lake_upkeep_failures_total", Help: "Upkeep that failed and is tried again."}, []string{"job"})
	for _, job := range []string{"compact", "retain", "expire", "sweep"} {
		m.upkeepFailures.WithLabelValues(job)
	}
	add(m.rows)
	add(m.commits)
	add(m.upkeepFailures)
	m.failures = counter("commit_failures_total", "Commits that failed and are tried again.")
	m.buffered = gauge("buffered_rows", "Rows waiting for the next commit.")
	m.files = perTable("files", "Data files in the committed state.")
	m.small = gauge("small_groups", "Groups of data files in the committed state that are not full: what compaction has to merge.")
	m.bytes = perTable("bytes", "Size of the data files in the committed state.")
	m.manifests = perTable("manifests", "Manifests of the committed state.")
	m.manifestBytes = perTable("manifest_bytes", "Size of the manifests of the committed state.")
	m.metadata = perTable("metadata_bytes", "Size of the files in the metadata folder when last looked.")
	m.last = gauge("last_commit_timestamp_seconds", "When the newest committed rows were committed.")
	m.merged = counter("compacted_groups_total", "Groups of data files that compaction has replaced.")
	m.mergedRows = counter("compacted_rows_total", "Rows that compaction has rewritten.")
	m.held = gauge("compaction_publish_seconds", "How long the newest compaction held commits up at most.")
	m.lastCompaction = gauge("last_compaction_timestamp_seconds", "When a compaction last replaced something.")
	m.condemned = gauge("condemned_bytes", "Size of the files that nothing refers to and that wait for the end of the grace period.")
	m.swept = counter("swept_files_total", "Files deleted because nothing referred to them.")
	m.sweptBytes = counter("swept_bytes_total", "Size of the files deleted because nothing referred to them.")
	m.free = gauge("disk_free_bytes", "Free on the disk of the lake when last looked.")
	m.floor = gauge("disk_floor_bytes", "What has to stay free on the disk of the lake; below it nothing is committed.")
	m.driftWaiting = gauge("drift_waiting_rows", "Rows of drift that are folded and not yet committed.")
	m.driftFailures = counter("drift_commit_failures_total", "Commits of drift that failed and are tried again; reports are not held back by them.")
	m.folds = counter("drift_folds_total", "Folds of a unit from its first reading, whose rows supersede older ones.")
	m.driftCommits = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "marginline_lake_drift_commit_seconds", Help: "Time of a commit of drift that wrote rows.", Buckets: prometheus.ExponentialBuckets(0.005, 2, 12)})
	add(m.driftCommits)
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

func (m *metrics) compacted(groups int, rows int64, held time.Duration, at time.Time) {
	m.merged.Add(float64(groups))
	m.mergedRows.Add(float64(rows))
	m.held.Set(held.Seconds())
	m.lastCompaction.Set(float64(at.UnixMilli()) / 1000)
}

func (m *metrics) disk(free, floor uint64) {
	m.free.Set(float64(free))
	m.floor.Set(float64(floor))
}

func (m *metrics) show(s *set) {
	for i, h := range s.heads {
		m.files.WithLabelValues(specs[i].name).Set(float64(len(h.files)))
		m.bytes.WithLabelValues(specs[i].name).Set(float64(h.bytes))
		var bytes int64
		for _, f := range h.manifests {
			bytes += f.Length()
		}
		m.manifests.WithLabelValues(specs[i].name).Set(float64(len(h.manifests)))
		m.manifestBytes.WithLabelValues(specs[i].name).Set(float64(bytes))
	}
	small := 0
	for _, g := range s.groups() {
		if g.rows < fullRows/2 {
			small++
		}
	}
	m.small.Set(float64(small))
	if at := s.heads[reports].at; !at.IsZero() {
		m.last.Set(float64(at.UnixMilli()) / 1000)
	}
}
