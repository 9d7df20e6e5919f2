package ingest

import (
	"sync"
	"sync/atomic"

	"marginline/ingest/broker"
	"marginline/ingest/obd"
	"marginline/ingest/report"
)

// A ready report is one that was read and, unless it is known, decoded. Whether it is taken is decided in
// the order of the log, one after the other.
type ready struct {
	report *report.Report // nil where nothing could be read
	key    name           // of the report's id
	digest uint64
	taken  *taken   // nil when refused or known
	no     *refused // why it can't be taken, as far as the report alone tells
}

// prepare reads and decodes the reports of one fetch, several at a time: most of the work on a report
// depends on no other.
func (c *Consumer) prepare(msgs []broker.Msg) []ready {
	out := make([]ready, len(msgs))
	workers := min(len(c.decoders), (len(msgs)+7)/8)
	if workers <= 1 {
		for i := range msgs {
			c.read(&c.decoders[0], &msgs[i], &out[i])
		}
		return out
	}
	var next atomic.Int64
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(msgs); i = int(next.Add(1)) - 1 {
				c.read(&c.decoders[w], &msgs[i], &out[i])
			}
		})
	}
	all.Wait()
	return out
}

// read does what can be done for a report by itself. It only reads c.seen: nobody writes it meanwhile.
func (c *Consumer) read(dec *obd.Decoder, m *broker.Msg, d *ready) {
	if d.report, d.no = parse(m); d.no != nil {
		return
	}
	d.key, d.digest = nameOf(d.report.ID), d.report.Digest()
	if _, known := c.seen.reports[d.key]; !known {
		if d.taken, d.no = c.survive(dec, m, d.report); d.taken != nil {
			d.taken.poll.Digest, d.taken.read = d.digest, nil
		}
	}
}
