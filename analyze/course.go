package analyze

import (
	"cmp"
	"context"
	"slices"
	"sync"

	"marginline/ingest/series"
)

// A Row is one point of the course of a series, with what it was known by at that moment.
type Row struct {
	Key           series.Key
	VIN           string // "" where not known yet
	Family        string
	UnitOfMeasure string
	Point
}

// A Recorder takes the points that a Runner makes of fresh readings, as it makes them: those of a unit in the order
// of the fold, those of different units from many goroutines at once.
//
// The points of a unit are a pure function of its readings: however the readings arrived, the points that were
// recorded since the newest Begin of a unit are those of an in-order fold.
type Recorder interface {
	// Begin says that a unit is folded again from its first reading. True: the points of that fold are wanted,
	// and what was recorded of the unit before is void. False: what was recorded stands, and only points of
	// later readings follow.
	Begin(unit string) bool
	// Record takes one point.
	Record(Row)
}

// SetRecorder gives the Runner its Recorder. Call it before anything is folded.
func (r *Runner) SetRecorder(rec Recorder) { r.recorder = rec }

// begin is the tracer of a unit that is folded from its first reading; nil where nobody wants its points.
func (r *Runner) begin(unit string) *tracer {
	if r.recorder == nil || !r.recorder.Begin(unit) {
		return nil
	}
	return r.live()
}

// live is the tracer of the readings that follow.
func (r *Runner) live() *tracer {
	if r.recorder == nil {
		return nil
	}
	return &tracer{record: r.recorder.Record}
}

// collect is the tracer of somebody who wants whole courses.
func collect(string) *tracer { return &tracer{points: map[series.Key][]Point{}} }

// Courses folds every unit of the roster again, from the lake, and hands over every point of its series, ordered by
// unit, control unit, test and time. It holds the points of one chunk of units at a time. The runner's own state is
// left alone. An error of each ends it.
func (r *Runner) Courses(ctx context.Context, each func(*Row) error) error {
	const chunk = 16
	for part := range slices.Chunk(r.choose(r.roster(), nil), chunk) {
		var mu sync.Mutex
		var all []Row
		trace := func(string) *tracer {
			return &tracer{record: func(x Row) {
				mu.Lock()
				all = append(all, x)
				mu.Unlock()
			}}
		}
		if err := r.refold(ctx, part, folding{trace: trace}, func(*Vehicle) error { return nil }); err != nil {
			return err
		}
		slices.SortStableFunc(all, func(a, b Row) int {
			return cmp.Or(compareKeys(a.Key, b.Key), a.At.Compare(b.At))
		})
		for i := range all {
			if err := each(&all[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Version names the settings that the runner folds with.
func (r *Runner) Version() string { return r.set.Version }
