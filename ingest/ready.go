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
	id     string // of the report; "" where it could not be read
	read   bool   // the report could be read
	key    name   // of its id
	digest uint64
	taken  *taken   // nil when refused or known
	no     *refused // why it can't be taken, as far as the report alone tells
}

// A reader is what one goroutine reads reports with, and uses again for each.
type reader struct {
	parser  report.Parser
	decoder obd.Decoder
	msgs    []obd.Message
	index   []int
	shelf   *shelf
}

// prepare reads and decodes the reports of one fetch, several at a time: most of the work on a report
// depends on no other.
func (c *Consumer) prepare(msgs []broker.Msg) []ready {
	out := make([]ready, len(msgs))
	workers := min(len(c.readers), (len(msgs)+7)/8)
	if workers <= 1 {
		for i := range msgs {
			c.read(&c.readers[0], &msgs[i], &out[i])
		}
		return out
	}
	var next atomic.Int64
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(msgs); i = int(next.Add(1)) - 1 {
				c.read(&c.readers[w], &msgs[i], &out[i])
			}
		})
	}
	all.Wait()
	return out
}

// read does what can be done for a report by itself. It only reads c.seen: nobody writes it meanwhile.
func (c *Consumer) read(with *reader, m *broker.Msg, d *ready) {
	r, no := parse(&with.parser, m)
	if r != nil {
		d.id, d.read = r.ID, true
	}
	if d.no = no; no != nil {
		return
	}
	d.key, d.digest = nameOf(r.ID), r.Digest()
	had, known := c.seen.reports[d.key]
	switch {
	case !known:
		if d.taken, d.no = c.survive(with, m, r); d.taken != nil {
			d.taken.poll.Digest, d.taken.read = d.digest, nil
		}
	case had != d.digest && had == r.EarlierDigest(): // stored by an earlier release
		d.digest = had
	}
}
