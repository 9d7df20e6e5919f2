package lake

import (
	"context"
	"fmt"
	"time"
)

// minLimit is the shortest age limit. 49 CFR 396.3(c) wants the record of inspection, repair and maintenance
// of a vehicle kept for 1 year where it is housed or maintained, and for 6 months after it leaves the motor
// carrier's control (from memory). The oldest record that must be there on the day a vehicle leaves is a year
// old, and is kept for half a year more: 18 months cover it, whenever the vehicle leaves. Readings, codes and reports are
// what a work order was opened and closed on, so this holds for all three.
const minLimit = 549 * 24 * time.Hour

// Limits says how old rows may become, by read_at; 0 is for ever.
type Limits struct{ Readings, Codes, Reports time.Duration }

// Validate refuses limits under which a maintenance record could lose what it rests on, or a reading its
// report.
func (l Limits) Validate() error {
	for _, x := range []struct {
		name  string
		limit time.Duration
	}{{"readings", l.Readings}, {"codes", l.Codes}, {"reports", l.Reports}} {
		if x.limit != 0 && x.limit < minLimit {
			return fmt.Errorf("%s: %d days are too short: what a maintenance record rests on is kept for a year while the vehicle is in service and for 6 months after it leaves (49 CFR 396.3(c)), so for at least %d days", x.name, x.limit/(24*time.Hour), minLimit/(24*time.Hour))
		}
		if l.Reports != 0 && (x.limit == 0 || x.limit > l.Reports) {
			return fmt.Errorf("%s are kept longer than the reports that they belong to: keep reports at least as long", x.name)
		}
	}
	return nil
}

// Retained is what age limits have removed.
type Retained struct {
	Files, Rows, Bytes int64
}

// Retain removes data files of which every row is older than the limit of its table. A file holds a month
// after compaction, or a year that is over, so rows go up to a year later than the limit says, never earlier.
func (l *Lake) Retain(ctx context.Context, limits Limits) (done Retained, err error) {
	l.upkeep.Lock()
	defer l.upkeep.Unlock()
	if err := limits.Validate(); err != nil {
		return done, fmt.Errorf("age limits: %w", err)
	}
	s, err := l.settledSet()
	if err != nil {
		return done, fmt.Errorf("age limits: %w", err)
	}
	old := [tableCount]map[string]bool{readings: {}, codes: {}, reports: {}}
	var kept [tableCount]int64
	now := l.now()
	for i, limit := range [tableCount]time.Duration{readings: limits.Readings, codes: limits.Codes, reports: limits.Reports} {
		if limit == 0 {
			continue
		}
		kept[i] = micros(now.Add(-limit))
	}
	ends := map[string]int64{} // of a group, as its reports say: the same in every table
	for _, g := range s.groups() {
		ends[g.name] = g.to
	}
	for i, h := range s.heads {
		for _, f := range h.files {
			if end, ok := ends[f.group]; ok && end < kept[i] {
				old[i][f.group] = true
				done.Files++
				done.Rows += f.rows
				done.Bytes += f.bytes
			}
		}
		if len(old[i]) == 0 {
			kept[i] = 0
		}
	}
	if done.Files == 0 {
		return done, nil
	}
	if _, err := l.replace(ctx, "delete", old, nil, kept); err != nil {
		return Retained{}, fmt.Errorf("age limits: %w", err)
	}
	l.log.Info("removed by age", "files", done.Files, "rows", done.Rows, "bytes", done.Bytes)
	return done, nil
}
