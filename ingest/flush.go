package ingest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/lake"
	"marginline/ingest/series"
)

// A batch is what was taken since the last flush.
type batch struct {
	last    uint64    // newest sequence handled
	first   time.Time // when the oldest was taken; zero when there is nothing to flush
	polls   []*series.Poll
	shelves []*shelf // of the polls
	rows    int      // of all tables
	entries []broker.Entry
	bytes   int // of the entries

	receipts []receipt
	replayed []string // quarantine entries that came again as reports
}

// A receipt is what a dongle is told once the batch is durable.
type receipt struct {
	device string
	broker.Receipt
}

// full says whether the batch should wait no longer.
func (b *batch) full(cfg *Config) bool { return b.rows >= cfg.FlushRows || b.bytes >= refusedMax }

// flush sends the batch on its way into the lake, when the one before has landed. Meanwhile the next reports are
// read and decoded; one batch is under way and one is taken, and no more is held in memory.
func (c *Consumer) flush(ctx context.Context, p *broker.Puller) error {
	if err := c.landed(); err != nil || c.batch.first.IsZero() {
		return err
	}
	b, flight := c.batch, make(chan error, 1)
	c.batch = batch{last: b.last}
	c.flight = flight
	go func() { flight <- c.store(ctx, p, &b) }()
	return nil
}

// landed waits for the batch under way and returns what became of it.
func (c *Consumer) landed() error {
	if c.flight == nil {
		return nil
	}
	err := <-c.flight
	c.flight = nil
	return err
}

// free says whether no batch is under way, and what became of the one that was.
func (c *Consumer) free() (bool, error) {
	if c.flight == nil {
		return true, nil
	}
	select {
	case err := <-c.flight:
		c.flight = nil
		return true, err
	default:
		return false, nil
	}
}

// store makes a batch durable: first the quarantine, then the lake, which moves the sequence; then it
// tells OnCommit and acknowledges. It is not cut short by the end of ctx: then it makes one attempt.
func (c *Consumer) store(ctx context.Context, p *broker.Puller, b *batch) error {
	if err := c.waitForRoom(ctx); err != nil {
		return err
	}
	whole := context.WithoutCancel(ctx)
	if len(b.entries) > 0 {
		if err := c.insist(ctx, "quarantine", func(ctx context.Context) error { return c.broker.Quarantine(ctx, b.entries) }); err != nil {
			return err
		}
		for i := range b.entries {
			c.metrics.quarantined.WithLabelValues(b.entries[i].Reason).Inc()
		}
		c.metrics.counts.quarantined.Add(uint64(len(b.entries)))
	}
	start := time.Now()
	pos := lake.Position{Stream: c.stream, Seq: b.last}
	if err := c.insist(ctx, "commit", func(ctx context.Context) error { return c.lake.Commit(ctx, pos) }); err != nil {
		return err
	}
	end := time.Now()
	c.metrics.commit.Observe(end.Sub(start).Seconds())
	c.metrics.lastCommit.Set(float64(end.UnixMilli()) / 1000)
	c.metrics.stored(b.polls)
	if c.OnCommit != nil {
		c.OnCommit(whole, b.polls)
	}
	for i, s := range b.shelves {
		b.polls[i].Results = nil
		s.done()
	}
	c.wrapUp(whole, b)
	if err := p.Ack(whole, b.last); err != nil { // the lake knows how far we are
		c.log.Warn("committed reports were not acknowledged", "err", err)
	}
	c.mark.rise(b.last)
	return nil
}

// wrapUp does what may be done once a batch is durable, and what no replay of the log needs: it tells the
// dongles, and takes out of the quarantine what has come in again.
func (c *Consumer) wrapUp(ctx context.Context, b *batch) {
	for i := range b.receipts {
		if err := c.broker.Receipt(b.receipts[i].device, b.receipts[i].Receipt); err != nil {
			c.log.Warn("receipts were not sent; the dongles will send again", "err", err, "left", len(b.receipts)-i)
			break
		}
	}
	ctx, cancel := context.WithTimeout(ctx, tryTimeout)
	defer cancel()
	if err := c.broker.MakeRoom(ctx, b.last); err != nil {
		c.log.Warn("the log may fill up", "err", err)
	}
	if len(b.replayed) == 0 {
		return
	}
	if err := c.broker.Discard(ctx, b.replayed); err != nil {
		c.log.Warn("replayed entries stay in the quarantine too", "err", err)
	}
}

// insist tries until it works, with growing pauses, as long as ctx lives and trying makes sense.
func (c *Consumer) insist(ctx context.Context, what string, do func(context.Context) error) error {
	pause := pauseMin
	for {
		try, cancel := context.WithTimeout(context.WithoutCancel(ctx), tryTimeout)
		err := do(try)
		cancel()
		if err == nil {
			return nil
		}
		if errors.Is(err, lake.ErrConflict) || errors.Is(err, lake.ErrClosed) {
			return err
		}
		c.metrics.failures.Inc()
		c.log.Error(what+" failed; nothing is acknowledged, it is tried again", "err", err, "pause", pause)
		if !sleep(ctx, pause) {
			return fmt.Errorf("%s: %w", what, err)
		}
		pause = min(2*pause, pauseMax)
	}
}

// sleep pauses; false when ctx ends.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
