package ingest

import (
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/series"
)

// Counts is what a Consumer has done since it was made.
type Counts struct {
	Reports     uint64 // committed
	Readings    uint64 // test results of these
	Duplicates  uint64 // reports dropped because they were there already
	Refused     uint64 // whole reports put into the quarantine
	Quarantined uint64 // entries put into the quarantine, whole reports and single messages
}

// metrics counts for the scraper and for Counts. No label names a unit or a vehicle: they never go away.
type metrics struct {
	reports     *prometheus.CounterVec
	messages    prometheus.Counter
	readings    *prometheus.CounterVec
	quarantined *prometheus.CounterVec
	duplicates  prometheus.Counter
	unknown     prometheus.Counter
	checkDigit  prometheus.Counter
	wrongClock  prometheus.Counter
	commit      prometheus.Histogram
	failures    prometheus.Counter
	pending     prometheus.Gauge
	lastCommit  prometheus.Gauge
	held        prometheus.Gauge

	counts struct{ reports, readings, duplicates, refused, quarantined atomic.Uint64 }
}

func newMetrics(reg prometheus.Registerer) *metrics {
	counter := func(name, help string) prometheus.CounterOpts {
		return prometheus.CounterOpts{Namespace: "marginline", Name: name, Help: help}
	}
	m := &metrics{
		reports:     prometheus.NewCounterVec(counter("reports_total", "Reports taken from the log, by what became of them."), []string{"outcome"}),
		messages:    prometheus.NewCounter(counter("messages_total", "Diagnostic messages of committed reports.")),
		readings:    prometheus.NewCounterVec(counter("readings_total", "Committed test results by state."), []string{"state"}),
		quarantined: prometheus.NewCounterVec(counter("quarantined_total", "Entries put into the quarantine, whole reports and single messages, by reason."), []string{"reason"}),
		duplicates:  prometheus.NewCounter(counter("duplicates_total", "Reports dropped because the same report was there already.")),
		unknown:     prometheus.NewCounter(counter("unknown_vehicle_reports_total", "Stored reports whose VIN and device lead to no unit of the roster.")),
		checkDigit:  prometheus.NewCounter(counter("vin_check_digit_mismatches_total", "Stored reports whose VIN fails its check digit. A warning only: the digit is mandatory in North America.")),
		wrongClock:  prometheus.NewCounter(counter("wrong_clock_reports_total", "Stored reports whose device clock is before 2000 or more than 24 h after receipt: kept, never counted by the detector.")),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Namespace: "marginline", Name: "commit_seconds", Help: "Time from the start of a commit until it is durable, retries included.",
			Buckets: prometheus.ExponentialBuckets(0.005, 2, 14),
		}),
		failures:   prometheus.NewCounter(counter("commit_retries_total", "Attempts to store that failed and were tried again.")),
		pending:    prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "marginline", Name: "pending_reports", Help: "Reports in the log that were not yet fetched, when last looked."}),
		lastCommit: prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "marginline", Name: "last_commit_timestamp_seconds", Help: "When a commit last ended, as a Unix time."}),
		held:       prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "marginline", Name: "commits_held", Help: "1 while nothing is committed or acknowledged because the disk is too full."}),
	}
	for _, o := range []string{"stored", "duplicate", "quarantined"} {
		m.reports.WithLabelValues(o)
	}
	for _, r := range []Reason{Unreadable, MissingField, DeviceMismatch, VINMismatch, UnitMismatch, ConflictingContent, Poison, Undecodable, BadLength, UnknownService, NotReassembled} {
		m.quarantined.WithLabelValues(string(r))
	}
	for s := series.StateOK; s <= series.StateInvalid; s++ {
		m.readings.WithLabelValues(s.String())
	}
	if reg != nil {
		reg.MustRegister(m.reports, m.messages, m.readings, m.quarantined, m.duplicates, m.unknown, m.checkDigit, m.wrongClock, m.commit, m.failures, m.pending, m.lastCommit, m.held)
	}
	return m
}

func (m *metrics) duplicate() {
	m.reports.WithLabelValues("duplicate").Inc()
	m.duplicates.Inc()
	m.counts.duplicates.Add(1)
}

// stored counts polls that are durable.
func (m *metrics) stored(polls []*series.Poll) {
	var states [series.StateInvalid + 1]int
	messages, readings := 0, 0
	for _, p := range polls {
		messages += p.Messages
		readings += len(p.Results)
		for i := range p.Results {
			states[min(p.Results[i].State, series.StateInvalid)]++
		}
	}
	m.reports.WithLabelValues("stored").Add(float64(len(polls)))
	m.messages.Add(float64(messages))
	for s, n := range states {
		m.readings.WithLabelValues(series.State(s).String()).Add(float64(n))
	}
	m.counts.reports.Add(uint64(len(polls)))
	m.counts.readings.Add(uint64(readings))
}

// Counts is what was done so far.
func (c *Consumer) Counts() Counts {
	n := &c.metrics.counts
	return Counts{
		Reports: n.reports.Load(), Readings: n.readings.Load(), Duplicates: n.duplicates.Load(),
		Refused: n.refused.Load(), Quarantined: n.quarantined.Load(),
	}
}
