package lake

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"time"
)

// Upkeep says what Run does, and when. Zero durations of Every mean that Run does nothing.
type Upkeep struct {
	Every  time.Duration // between two looks for something to merge
	Grace  time.Duration // how long a file is kept that nothing refers to
	Keep   int           // newest snapshots that stay, however old
	Age    time.Duration // snapshots younger than this stay
	Limits Limits        // age limits of rows
}

// sweepEvery is how often snapshots expire, files are swept and age limits are applied.
const sweepEvery = 15 * time.Minute

// Run keeps the lake up until ctx ends, then returns nil. It owns no state: it may be stopped at any moment. A
// job that fails is told and tried again next time; where the lake takes no more changes, Run ends.
func (l *Lake) Run(ctx context.Context, u Upkeep) error {
	if u.Every == 0 {
		<-ctx.Done()
		return nil
	}
	due := l.now().Add(u.Every)
	quiet := false
	for {
		// Between three quarters and five quarters: services that start together spread out.
		wait := u.Every*3/4 + rand.N(u.Every/2+1)
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return nil
		case <-t.C:
		}
		sweep := !l.now().Before(due)
		if sweep {
			due = l.now().Add(sweepEvery)
		}
		err := l.keepUp(ctx, u, sweep, &quiet)
		if errors.Is(err, ErrClosed) || errors.Is(err, ErrConflict) {
			l.log.Error("upkeep ends: the lake takes no more changes until it is opened again", "err", err)
			<-ctx.Done()
			return nil
		}
	}
}

// keepUp does one round. quiet is whether a full disk was told already.
func (l *Lake) keepUp(ctx context.Context, u Upkeep, sweep bool, quiet *bool) error {
	failed := func(job string, err error) bool {
		switch {
		case err == nil || ctx.Err() != nil || errors.Is(err, errLater):
			return false
		case errors.Is(err, ErrClosed) || errors.Is(err, ErrConflict):
			return true
		}
		l.metrics.upkeepFailures.WithLabelValues(job).Inc()
		level := slog.LevelError
		if errors.Is(err, ErrNoRoom) {
			level = slog.LevelWarn
			if *quiet {
				level = slog.LevelDebug
			}
			*quiet = true
		}
		l.log.Log(ctx, level, "upkeep failed; it is tried again", "job", job, "err", err)
		return false
	}
	done, err := l.Compact(ctx, false)
	if failed("compact", err) {
		return err
	}
	if done.Merges > 0 {
		*quiet = false
	}
	if !sweep {
		return nil
	}
	if _, err := l.Retain(ctx, u.Limits); failed("retain", err) {
		return err
	}
	if _, err := l.Expire(ctx, u.Keep, u.Age); failed("expire", err) {
		return err
	}
	swept, err := l.Sweep(ctx, u.Grace)
	if failed("sweep", err) {
		return err
	}
	if swept.Files > 0 {
		l.log.Info("swept", "files", swept.Files, "bytes", swept.Bytes, "waiting", swept.WaitingBytes)
	}
	return nil
}
