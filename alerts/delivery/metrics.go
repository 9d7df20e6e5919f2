package delivery

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

var (
	waitingNow = prometheus.NewDesc("marginline_deliveries_waiting", "Events in the outbox that are to be sent, those held by quiet hours too.", []string{"way"}, nil)
	oldestNow  = prometheus.NewDesc("marginline_deliveries_late_seconds", "How long ago the oldest event that is not taken yet was to be sent.", []string{"way"}, nil)
)

// count registers what the outbox tells of itself.
func (o *Outbox) count(reg prometheus.Registerer) error {
	o.done = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "marginline_deliveries_total", Help: "Tries to deliver an event: taken, failed (it is tried again, or was a test) or given_up."}, []string{"way", "outcome"})
	if reg == nil {
		return nil
	}
	for _, t := range o.targets {
		for _, outcome := range []string{"taken", "failed", "given_up"} {
			o.done.WithLabelValues(t.Way, outcome) // a rate needs the zero
		}
	}
	if err := reg.Register(o.done); err != nil {
		return err
	}
	return reg.Register(&gauge{o})
}

// gauge looks into the outbox when metrics are read.
type gauge struct{ box *Outbox }

func (g *gauge) Describe(ch chan<- *prometheus.Desc) { ch <- waitingNow; ch <- oldestNow }

func (g *gauge) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	now, waiting, late := g.box.now(), map[string]float64{}, map[string]float64{}
	for _, t := range g.box.targets {
		var n float64
		var oldest string
		if err := g.box.db.QueryRowContext(ctx, `select count(*), coalesce(min(due_at), '') from outbox where target = ? and next_at <> ''`, t.Name).Scan(&n, &oldest); err != nil {
			ch <- prometheus.NewInvalidMetric(waitingNow, err)
			return
		}
		waiting[t.Way] += n
		if due, err := time.Parse(time.RFC3339Nano, oldest); err == nil {
			late[t.Way] = max(late[t.Way], now.Sub(due).Seconds())
		} else {
			late[t.Way] += 0
		}
	}
	for way, n := range waiting {
		ch <- prometheus.MustNewConstMetric(waitingNow, prometheus.GaugeValue, n, way)
		ch <- prometheus.MustNewConstMetric(oldestNow, prometheus.GaugeValue, late[way], way)
	}
}
