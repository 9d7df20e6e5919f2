package alerts

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// gauge counts the alerts of the book when metrics are read. It has no unit labels: a fleet has thousands.
type gauge struct{ book *Book }

var alertCount = prometheus.NewDesc("marginline_alerts", "Alerts in the book.", []string{"kind", "consequence", "state"}, nil)

func (g *gauge) Describe(ch chan<- *prometheus.Desc) { ch <- alertCount }

func (g *gauge) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	list, err := g.book.List(ctx, true)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(alertCount, err)
		return
	}
	type labels struct{ kind, consequence, state string }
	n := map[labels]int{}
	for _, a := range list {
		n[labels{string(a.Kind), string(a.Consequence), string(a.State)}]++
	}
	for l, count := range n {
		ch <- prometheus.MustNewConstMetric(alertCount, prometheus.GaugeValue, float64(count), l.kind, l.consequence, l.state)
	}
}
