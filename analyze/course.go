package analyze

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"marginline/ingest/series"
)

// Courses folds every unit of the roster again, from the lake, and hands over the course of each of its
// series, ordered by unit, control unit and test. It holds one chunk of units at a time. The runner's own
// state is left alone. An error of each ends it.
func (r *Runner) Courses(ctx context.Context, each func(series.Key, *Trace) error) error {
	const chunk = 16
	for part := range slices.Chunk(r.choose(r.roster(), nil), chunk) {
		all := map[series.Key]*Trace{}
		err := r.refold(ctx, part, folding{traced: true}, func(v *Vehicle) error {
			maps.Copy(all, v.traces())
			return nil
		})
		if err != nil {
			return err
		}
		keys := slices.SortedFunc(maps.Keys(all), func(a, b series.Key) int {
			return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.ECU, b.ECU), cmp.Compare(a.Test, b.Test))
		})
		for _, k := range keys {
			if err := each(k, all[k]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Version names the settings that the runner folds with.
func (r *Runner) Version() string { return r.set.Version }
