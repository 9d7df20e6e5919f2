package lake

import (
	"cmp"
	"maps"
	"math/bits"
	"slices"
	"time"
)

// What compaction aims at, in rows of all tables together.
const (
	fanIn     = 8        // groups of one size that are merged into one; also the factor between two sizes
	fullRows  = 2 << 20  // a group is ended behind the vehicle with which it reaches this; half of it is left alone
	leastRows = 16 << 10 // a merge is parted by the fences where each cell gets as many rows

	// Bounds of one merge. A source holds one row group a table in memory; so does a target, and there is one a
	// period at a time.
	maxSources  = 128
	maxLoaded   = 512 << 10 // rows loaded over all sources
	maxMixed    = 4 << 20   // rows of the groups that are split
	loadedGroup = 120 << 10 // rows that one source loads at most, where its manifest does not say

	settleTime = 48 * time.Hour // how long after its end a month, or a year, is taken to be over
)

// A group is the data files that hold the same reports.
type group struct {
	name        string
	rows, bytes int64  // over all tables
	loaded      int64  // of rows, those of one row group a table; 0: not known
	from, to    int64  // microseconds: read_at of its reports
	low, high   string // VINs of its reports, "" where there is none
	unbounded   bool   // low and high are not known
	aged        bool   // something of it was removed by age
}

// groups lists the groups of a state, oldest first.
func (s *set) groups() []group {
	var out []group
	at := map[string]int{}
	for _, f := range s.heads[reports].files {
		if !f.bounded { // read_at is required, so this is none of our files
			continue
		}
		at[f.group] = len(out)
		g := group{name: f.group, rows: f.rows, bytes: f.bytes, loaded: f.loaded(), from: f.readFrom, to: f.readTo,
			low: string(f.vinLow), high: string(f.vinHigh)}
		switch {
		case f.withoutVIN == f.rows:
		case f.withoutVIN < 0 || f.vinLow == nil || f.vinHigh == nil:
			g.unbounded = true
		case f.withoutVIN > 0:
			g.low = ""
		}
		out = append(out, g)
	}
	for i, h := range s.heads {
		if i == reports || i == drift { // drift has files of its own
			continue
		}
		has := map[string]bool{}
		for _, f := range h.files {
			has[f.group] = true
			if k, ok := at[f.group]; ok {
				out[k].rows += f.rows
				out[k].bytes += f.bytes
				out[k].loaded += f.loaded()
			}
		}
		for k := range out {
			if out[k].to < h.kept && !has[out[k].name] {
				out[k].aged = true
			}
		}
	}
	slices.SortFunc(out, func(a, b group) int { return cmp.Compare(a.name, b.name) })
	return out
}

// loaded is the rows of one row group.
func (f *dataFile) loaded() int64 { return f.rows / int64(max(f.rowGroups, 1)) }

// month counts months from the year 0, UTC.
func month(us int64) int {
	t := fromMicros(us)
	return t.Year()*12 + int(t.Month()) - 1
}

// over is when a month ends.
func over(month int) time.Time {
	return time.Date(month/12, time.Month(month%12+2), 1, 0, 0, 0, 0, time.UTC)
}

// isOver says whether a month is over, and late reports of it are few.
func isOver(month int, now time.Time) bool { return now.After(over(month).Add(settleTime)) }

// period is the months that a time is kept with, by the first of them: the whole year once that is over, else
// the month alone.
func period(us int64, now time.Time) (first int, year bool) {
	m := month(us)
	if december := m - m%12 + 11; isOver(december, now) {
		return december - 11, true
	}
	return m, false
}

// A shelf is what the groups that are merged with each other have in common.
type shelf struct{ period, cell int }

// wide is the cell of a group that has vehicles of several.
const wide = -1

// shelf is where a group belongs; false where it has rows of several periods.
func (g group) shelf(f fences, now time.Time) (shelf, bool) {
	from, year := period(g.from, now)
	to, same := period(g.to, now)
	p := shelf{from, f.cell(g.low)}
	if f.cell(g.high) != p.cell {
		p.cell = wide
	}
	return p, from == to && year == same
}

// size is the class of a group: each holds fanIn times the rows of the one before.
func (g group) size() int { return bits.Len64(uint64(g.rows)) / 3 }

// A planner picks what to merge.
type planner struct {
	now         time.Time
	all         bool  // also what is not yet worth it by itself
	full, least int64 // fullRows, leastRows
	fences      fences
}

// plan picks the groups to merge next; nil when all is well. A merge makes the number of groups smaller, or
// groups larger, or splits a group for good, so planning comes to an end.
func (l planner) plan(groups []group) []group {
	var mixed []group
	shelves := map[shelf][]group{}
	for _, g := range groups {
		p, one := g.shelf(l.fences, l.now)
		switch {
		case g.aged || g.unbounded && len(l.fences) > 0:
		case !one:
			mixed = append(mixed, g)
		case g.rows < l.full/2 || p.cell == wide:
			shelves[p] = append(shelves[p], g)
		}
	}
	if len(mixed) >= fanIn || l.all && len(mixed) > 0 {
		return take(mixed, maxMixed)
	}
	for _, p := range slices.SortedFunc(maps.Keys(shelves), func(a, b shelf) int {
		return cmp.Or(cmp.Compare(a.period, b.period), cmp.Compare(a.cell, b.cell))
	}) {
		if groups := l.within(p, shelves[p]); groups != nil {
			return groups
		}
	}
	return nil
}

// within picks groups of one shelf.
func (l planner) within(p shelf, small []group) []group {
	sizes := map[int][]group{}
	var rows int64
	for _, g := range small {
		sizes[g.size()] = append(sizes[g.size()], g)
		rows += g.rows
	}
	for _, k := range slices.Sorted(maps.Keys(sizes)) {
		if len(sizes[k]) >= fanIn {
			return take(sizes[k], 1<<62)
		}
	}
	if p.cell == wide && (l.all || isOver(p.period, l.now) && l.parts(rows)) {
		return take(small, maxMixed)
	}
	if len(small) < 2 {
		return nil
	}
	slices.SortStableFunc(small, func(a, b group) int { return cmp.Compare(a.rows, b.rows) })
	most := small[len(small)-1].rows
	if l.all || isOver(p.period, l.now) && rows-most >= most/4 {
		return take(small, 1<<62)
	}
	return nil
}

// parts says whether a merge of so many rows is parted by the fences.
func (l planner) parts(rows int64) bool {
	return l.all || rows >= l.least*int64(len(l.fences)+1)
}

// take cuts a list of groups to what one merge may hold; never to fewer than two, or one to split.
func take(groups []group, rows int64) []group {
	var loaded int64
	for i, g := range groups {
		loaded += cmp.Or(g.loaded, min(g.rows, loadedGroup))
		rows -= g.rows
		if i >= 2 && (i >= maxSources || loaded > maxLoaded) || i >= 1 && rows < 0 {
			return groups[:i]
		}
	}
	return groups
}
