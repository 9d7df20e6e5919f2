package ingest

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// lagTimeout bounds what a scrape may wait for the broker.
const lagTimeout = 2 * time.Second

// lag is what the log holds that is not committed, asked when somebody scrapes: a gauge that the consumer
// sets would stand still exactly when the consumer does.
type lag struct {
	c                                                 *Consumer
	sequence, waiting, oldest, retention, bytes, held *prometheus.Desc
}

func newLag(c *Consumer) *lag {
	desc := func(name, help string) *prometheus.Desc {
		return prometheus.NewDesc("marginline_"+name, help, nil, nil)
	}
	return &lag{
		c:         c,
		sequence:  desc("committed_sequence", "Sequence in the log up to which everything is committed."),
		waiting:   desc("waiting_reports", "Reports in the log that are not committed."),
		oldest:    desc("waiting_oldest_seconds", "Age of the oldest report in the log that is not committed; 0 when there is none."),
		retention: desc("log_retention_seconds", "Age at which reports leave the log, committed or not; 0 when never."),
		bytes:     desc("log_bytes", "Size of the reports in the log."),
		held:      desc("quarantine_entries", "Entries in the quarantine."),
	}
}

// Describe implements prometheus.Collector.
func (l *lag) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{l.sequence, l.waiting, l.oldest, l.retention, l.bytes, l.held} {
		ch <- d
	}
}

// Collect implements prometheus.Collector. When the broker does not answer only the sequence is given.
func (l *lag) Collect(ch chan<- prometheus.Metric) {
	give := func(d *prometheus.Desc, v float64) { ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v) }
	at := l.c.mark.at()
	give(l.sequence, float64(at))
	ctx, cancel := context.WithTimeout(context.Background(), lagTimeout)
	defer cancel()
	now, err := l.c.broker.Lag(ctx, at)
	if err != nil {
		l.c.log.Warn("the broker does not say what waits", "err", err)
		return
	}
	age := 0.0
	if !now.Oldest.IsZero() {
		age = max(0, time.Since(now.Oldest).Seconds())
	}
	give(l.waiting, float64(now.Waiting))
	give(l.oldest, age)
	give(l.retention, now.Retention.Seconds())
	give(l.bytes, float64(now.Bytes))
	give(l.held, float64(now.Held))
}
