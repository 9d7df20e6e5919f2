package lake

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// Expire is the first step of expiry: it drops snapshots from the metadata of every table, all but the newest
// keep, those younger than age, and those of pinned states. Nothing is deleted: that is Sweep's.
// It returns the number of snapshots dropped over all tables.
func (l *Lake) Expire(ctx context.Context, keep int, age time.Duration) (dropped int, err error) {
	l.upkeep.Lock()
	defer l.upkeep.Unlock()
	if _, err := l.settledSet(); err != nil {
		return 0, fmt.Errorf("expire snapshots: %w", err)
	}
	for i := range l.tables {
		if err := ctx.Err(); err != nil {
			return dropped, err
		}
		n, err := l.expireTable(i, max(keep, 1), age)
		dropped += n
		if err != nil {
			return dropped, fmt.Errorf("expire snapshots: %w", err)
		}
	}
	return dropped, nil
}

func (l *Lake) expireTable(i, keep int, age time.Duration) (dropped int, err error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return 0, err
	}
	if l.pending != nil {
		return 0, errLater
	}
	pinned := []int64{l.set.heads[i].snapshot}
	l.mu.Lock()
	for s := range l.refs {
		pinned = append(pinned, s.heads[i].snapshot)
	}
	l.mu.Unlock()
	t, now := l.tables[i], l.now()
	m := t.follow(now)
	over, before := len(m.Snapshots)-keep, now.Add(-age).UnixMilli()
	dropped = m.forget(func(s *snapshot) bool {
		over--
		return over >= 0 && s.TimestampMs <= before && !slices.Contains(pinned, s.ID)
	})
	if dropped == 0 {
		return 0, nil
	}
	if err := t.publish(m); err != nil {
		return 0, err
	}
	return dropped, nil
}
