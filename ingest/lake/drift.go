package lake

import (
	"cmp"
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"marginline/ingest/series"
)

// A Drift is one row of the drift table: what the detector made of one fresh reading. Absent numbers are NaN, absent
// times zero, absent texts "". A row without ReportID is an end mark: the unit has no rows of that fold.
type Drift struct {
	Unit, VIN, ECU, Test, Family string
	ReadAt                       time.Time
	ReportID                     string
	Epoch                        int32
	Value, Min, Max              float64
	UnitOfMeasure                string
	Margin, Baseline, Z, Score   float64
	PCross30d                    float64
	LimitP10, LimitP50, LimitP90 time.Time
	fold                         int64
	foldedAt                     time.Time
	settings                     string
}

func driftColumns() []column {
	cols := []column{
		text(1, "unit", "the unit, by the roster that it was folded under", func(r *row) *string { return &r.d.Unit }).need(),
		{id: 2, name: "fold", doc: "version of the fold: of a unit's rows those with the greatest stand, all others are superseded", long: at(func(r *row) *int64 { return &r.d.fold }), required: true},
		{id: 3, name: "folded_at", doc: "when that fold was begun, UTC", when: at(func(r *row) *time.Time { return &r.d.foldedAt }), required: true},
		text(4, "settings", "version of the settings of that fold", func(r *row) *string { return &r.d.settings }).need(),
		text(5, "vin", "vehicle identification number; null where not known by then", func(r *row) *string { return &r.d.VIN }),
		text(6, "ecu", "responder, as in readings; null in an end mark", func(r *row) *string { return &r.d.ECU }),
		text(7, "test", "canonical key of the test; null in an end mark", func(r *row) *string { return &r.d.Test }),
		text(8, "family", "what the test watches; null where not known", func(r *row) *string { return &r.d.Family }),
		{id: 9, name: "read_at", doc: "as in readings; null in an end mark", when: at(func(r *row) *time.Time { return &r.d.ReadAt })},
		{id: 10, name: "report_id", doc: "the report of the reading; null in an end mark, which says that the unit has no rows from that fold on",
			text: at(func(r *row) *string { return &r.d.ReportID })},
		{id: 11, name: "epoch", doc: "ordinal of the stretch with one calibration and one set of limits, from 1; null in an end mark", num: &access[int32]{
			get: func(r *row) int32 { return r.d.Epoch },
			set: func(r *row, v int32) error { r.d.Epoch = v; return nil },
		}},
		real(12, "value", "in the unit of measure", func(r *row) *float64 { return &r.d.Value }),
		real(13, "min", "lower limit in the unit of measure; null where absent", func(r *row) *float64 { return &r.d.Min }),
		real(14, "max", "upper limit in the unit of measure; null where absent", func(r *row) *float64 { return &r.d.Max }),
		text(15, "unit_of_measure", "UCUM code; null in an end mark", func(r *row) *string { return &r.d.UnitOfMeasure }),
		real(16, "margin", "1 as far as can be, 0 at the limit, below 0 failed", func(r *row) *float64 { return &r.d.Margin }),
		real(17, "baseline", "healthy level at that time, in the unit of measure; null while learning", func(r *row) *float64 { return &r.d.Baseline }),
		real(18, "z", "distance from what was expected, in standard deviations toward the limit", func(r *row) *float64 { return &r.d.Z }),
		real(19, "score", "cumulative sum toward the limit, in log average run length", func(r *row) *float64 { return &r.d.Score }),
		real(20, "p_cross_30d", "probability that the level is beyond the limit in 30 days", func(r *row) *float64 { return &r.d.PCross30d }),
		{id: 21, name: "limit_p10", doc: "one in ten: the limit is reached by then, UTC", when: at(func(r *row) *time.Time { return &r.d.LimitP10 })},
		{id: 22, name: "limit_p50", doc: "as likely as not: the limit is reached by then, UTC", when: at(func(r *row) *time.Time { return &r.d.LimitP50 })},
		{id: 23, name: "limit_p90", doc: "nine in ten: the limit is reached by then, UTC", when: at(func(r *row) *time.Time { return &r.d.LimitP90 })},
	}
	for i := range cols {
		cols[i].own = true
	}
	return cols
}

// endMark is a row that says that a unit has none.
func endMark(unit string) Drift {
	d := emptyDrift()
	d.Unit = unit
	return d
}

func emptyDrift() Drift {
	n := series.NoContext().OdometerKm // NaN
	return Drift{Epoch: series.None, Value: n, Min: n, Max: n, Margin: n, Baseline: n, Z: n, Score: n, PCross30d: n}
}

func (d *Drift) mark() bool { return d.ReportID == "" }

// compareDrift is the order of rows in the drift table. Nothing within a fold has the same place.
func compareDrift(a, b *Drift) int {
	return cmp.Or(
		strings.Compare(a.Unit, b.Unit),
		cmp.Compare(a.fold, b.fold),
		strings.Compare(a.ECU, b.ECU),
		strings.Compare(a.Test, b.Test),
		a.ReadAt.Compare(b.ReadAt),
		strings.Compare(a.ReportID, b.ReportID),
	)
}

// A Coverage says what the rows of drift were made of: the readings of the reports up to Position, and more
// of some units, under the rules and the roster that Basis names.
type Coverage struct {
	Position
	Basis string
}

// folded is a Coverage as it is committed, with the newest version of a fold that was given out.
type folded struct {
	Coverage
	fold int64
}

// Keys of the commit point's properties, and of the summaries of drift's snapshots.
const (
	keyFoldedStream = "marginline.drift-stream"
	keyFoldedSeq    = "marginline.drift-stream-seq"
	keyFoldedBasis  = "marginline.drift-basis"
	keyFold         = "marginline.drift-fold"
)

// ofPoint says whether a property belongs to the commit point alone.
func ofPoint(key string) bool {
	return strings.HasPrefix(key, "marginline.snapshot.") || strings.HasPrefix(key, "marginline.drift-")
}

func (f *folded) tell(props map[string]string) {
	if f.fold == 0 && f.Coverage == (Coverage{}) {
		return
	}
	props[keyFoldedStream], props[keyFoldedSeq] = f.Stream, strconv.FormatUint(f.Seq, 10)
	props[keyFoldedBasis], props[keyFold] = f.Basis, itoa(f.fold)
}

func foldedOf(props map[string]string) (f folded, err error) {
	f.Position, err = positionOf(map[string]string{keyStream: props[keyFoldedStream], keySeq: props[keyFoldedSeq]})
	if err != nil {
		return f, fmt.Errorf("drift: %w", err)
	}
	f.Basis = props[keyFoldedBasis]
	if v := props[keyFold]; v != "" {
		if f.fold, err = strconv.ParseInt(v, 10, 64); err != nil {
			return f, fmt.Errorf("property %s: %w", keyFold, err)
		}
	}
	return f, nil
}

// Folded says what the committed rows of drift were made of.
func (l *Lake) Folded() Coverage {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.set.folded.Coverage
}

// Folded says what the rows of drift in the pinned state were made of.
func (p *Pinned) Folded() Coverage { return p.set.folded.Coverage }

// ReportedAfter tells the VIN and the device of every committed report that came after a place in its stream, and
// perhaps of others: positions of an earlier stream cannot be told from those of this one. One vehicle is told of
// many times.
func (l *Lake) ReportedAfter(ctx context.Context, seq uint64, yield func(vin, device string)) error {
	p, err := l.Pin()
	if err != nil {
		return err
	}
	defer p.Release()
	s := &specs[reports]
	cols := s.named("vin", "device", "stream_seq")
	one := func(f dataFile) error {
		c, err := s.cursor(f.path, l.mem, map[string]string{})
		if err != nil {
			return err
		}
		defer c.close()
		for g := range c.file.NumRowGroups() {
			rows, polls, err := c.reports(ctx, g, cols)
			if err != nil {
				return err
			}
			for i := range rows {
				if rows[i].seq > seq {
					yield(polls[i].VIN, polls[i].Device)
				}
			}
		}
		return nil
	}
	for _, f := range p.set.heads[reports].files {
		if err := one(f); err != nil {
			return err
		}
	}
	return nil
}
