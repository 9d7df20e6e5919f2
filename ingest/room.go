package ingest

import (
	"context"
	"errors"
	"time"

	"marginline/ingest/lake"
)

// roomWait is how often a full disk is looked at.
const roomWait = time.Second

// waitForRoom returns once the disk of the lake has room. Meanwhile nothing is committed or acknowledged: the
// reports stay in the log and in memory, and the log keeps taking more for as long as it can. It says so once.
func (c *Consumer) waitForRoom(ctx context.Context) error {
	err := c.lake.Room()
	if !errors.Is(err, lake.ErrNoRoom) {
		return nil // a disk that does not answer is the commit's to find out
	}
	c.log.Error("nothing is committed or acknowledged until there is room; reports stay in the log", "err", err)
	c.metrics.held.Set(1)
	start := time.Now()
	for errors.Is(err, lake.ErrNoRoom) {
		why := err // of its own: whoever asks reads it while err changes
		c.held.Store(&why)
		if !sleep(ctx, roomWait) {
			return context.Cause(ctx)
		}
		err = c.lake.Room()
	}
	c.held.Store(nil)
	c.metrics.held.Set(0)
	c.log.Info("there is room again; commits go on", "after", time.Since(start).Round(time.Second))
	return nil
}

// Held says why nothing is committed at the moment; nil while it is.
func (c *Consumer) Held() error {
	if err := c.held.Load(); err != nil {
		return *err
	}
	return nil
}
