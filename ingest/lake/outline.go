package lake

import (
	"cmp"
	"context"
	"math"
	"slices"

	"golang.org/x/sync/errgroup"

	"marginline/ingest/series"
)

// An outline is what a replay knows of a group before it reads it: which reports are wanted, when they were
// read, and where their rows stand in the other tables.
type outline struct {
	file dataFile // of reports
	runs []run
}

// A run is reports of one vehicle with one dongle that follow one another in one row group of the reports table.
type run struct {
	unit            int
	group           int         // row group
	from            int         // row in it of the first
	polls           []briefPoll // one a row, wanted or not
	readings, codes int64       // rows of the other files where the first begins
	later           int64       // read_at of the oldest poll of the unit that comes after this run; see mark
	sorted          bool
}

// A briefPoll is one report in an outline.
type briefPoll struct {
	at             int64 // read_at (us)
	results, codes int32
	wanted         bool
}

// outlines looks through the reports table, oldest group first.
func (l *Lake) outlines(ctx context.Context, s *set, q *series.Replay) ([]outline, error) {
	w := newWanted(q.VINs, q.Devices, q.Until)
	var list []outline
	for _, f := range s.heads[reports].files {
		if w.file(f) {
			list = append(list, outline{file: f})
		}
	}
	slices.SortStableFunc(list, func(a, b outline) int {
		return cmp.Or(cmp.Compare(a.file.readFrom, b.file.readFrom), cmp.Compare(a.file.group, b.file.group))
	})
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(workers())
	for i := range list {
		g.Go(func() error { return l.outline(ctx, &list[i], w, q) })
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return list, nil
}

func (l *Lake) outline(ctx context.Context, o *outline, w *wanted, q *series.Replay) error {
	s := &specs[reports]
	c, err := l.roll(ctx, o.file.path, map[string]string{})
	if err != nil {
		return err
	}
	defer c.close()
	all, counts := s.named("vin", "device", "read_at", "clock_ok", "results", "codes"), s.named("results", "codes")
	var readings, codes int64
	for g := range c.file.NumRowGroups() {
		cols := all
		pruned := !w.rowGroup(c.file, c.place, g)
		if pruned {
			cols = counts
		}
		unit, vin, device := -1, "", ""
		for n, from := c.enter(g, cols), 0; from < n; {
			rows, polls, err := c.reports(g, from)
			if err != nil {
				return err
			}
			for i := range rows {
				p := &polls[i]
				if !pruned && (from+i == 0 || p.VIN != vin || p.Device != device) {
					vin, device = p.VIN, p.Device
					if unit = -1; w.all || vin != "" && w.vins[vin] || w.devices[device] {
						unit = q.Unit(vin, device)
					}
					if unit >= 0 {
						o.runs = append(o.runs, run{unit: unit, group: g, from: from + i, readings: readings, codes: codes, sorted: true})
					}
				}
				if unit >= 0 {
					r := &o.runs[len(o.runs)-1]
					b := briefPoll{at: micros(p.ReadAt), results: rows[i].results, codes: rows[i].codes, wanted: p.ClockOK && w.poll(p)}
					if n := len(r.polls); n > 0 && b.at < r.polls[n-1].at {
						r.sorted = false
					}
					r.polls = append(r.polls, b)
				}
				readings, codes = readings+int64(rows[i].results), codes+int64(rows[i].codes)
			}
			from += len(rows)
		}
	}
	return nil
}

// mark tells every run what of its unit is still to come, and returns how many results each unit has to hold
// back at most, and all wanted polls.
//
// A poll that was read before all that comes later can be handed over at once. The others are held back until
// it is their turn: late reports, and what they are late for.
func mark(list []outline, units int) (held []int64, polls int64) {
	later := slices.Repeat([]int64{math.MaxInt64}, units)
	for i := len(list) - 1; i >= 0; i-- {
		for k := len(list[i].runs) - 1; k >= 0; k-- {
			r := &list[i].runs[k]
			r.later = later[r.unit]
			least := int64(math.MaxInt64)
			for _, b := range r.polls {
				if b.wanted {
					polls++
					least = min(least, b.at)
				}
			}
			later[r.unit] = min(later[r.unit], least)
			if !r.sorted { // each waits for the end of the run
				r.later = min(r.later, least)
			}
		}
	}
	held = make([]int64, units)
	waiting := make([][]briefPoll, units)
	for i := range list {
		for k := range list[i].runs {
			r := &list[i].runs[k]
			w := waiting[r.unit]
			for _, b := range r.polls {
				if b.wanted && b.at >= r.later {
					w = append(w, b)
				}
			}
			var now int64
			for _, b := range w {
				now += int64(b.results)
			}
			held[r.unit] = max(held[r.unit], now)
			waiting[r.unit] = slices.DeleteFunc(w, func(b briefPoll) bool { return b.at < r.later })
		}
	}
	return held, polls
}
