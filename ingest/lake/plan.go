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
	fanIn    = 8       // groups of one size that are merged into one; also the factor between two sizes
	fullRows = 4 << 20 // a group is ended behind the vehicle with which it reaches this; half of it is left alone

	// Bounds of one merge. A source holds one row group a table in memory; a group of several months is split
	// into targets that hold up to one each.
	maxSources  = 128
	maxLoaded   = 512 << 10 // rows loaded over all sources
	maxMixed    = 1 << 20   // rows of the groups that are split
	loadedGroup = 120 << 10 // rows that one source loads at most

	settleTime = 48 * time.Hour // how long after its end a month is taken to be over
)

// A group is the data files that hold the same reports.
type group struct {
	name        string
	rows, bytes int64 // over all tables
	from, to    int64 // microseconds: read_at of its reports
	aged        bool  // something of it was removed by age
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
		out = append(out, group{name: f.group, rows: f.rows, bytes: f.bytes, from: f.readFrom, to: f.readTo})
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

// month counts months from the year 0, UTC.
func month(us int64) int {
	t := fromMicros(us)
	return t.Year()*12 + int(t.Month()) - 1
}

// over is when a month ends.
func over(month int) time.Time {
	return time.Date(month/12, time.Month(month%12+2), 1, 0, 0, 0, 0, time.UTC)
}

// size is the class of a group: each holds fanIn times the rows of the one before.
func (g group) size() int { return bits.Len64(uint64(g.rows)) / 3 }

// plan picks the groups to merge next; nil when all is well. With all it also merges what is not yet worth
// it by itself. A merge makes the number of groups smaller, or groups larger, or splits a group for good, so
// planning comes to an end.
func plan(groups []group, now time.Time, all bool, full int64) []group {
	var mixed []group
	months := map[int][]group{}
	for _, g := range groups {
		from, to := month(g.from), month(g.to)
		switch {
		case g.aged:
		case from != to:
			mixed = append(mixed, g)
		case g.rows < full/2:
			months[from] = append(months[from], g)
		}
	}
	if len(mixed) >= fanIn || all && len(mixed) > 0 {
		return take(mixed, maxMixed)
	}
	for _, m := range slices.Sorted(maps.Keys(months)) {
		small := months[m]
		sizes := map[int][]group{}
		for _, g := range small {
			sizes[g.size()] = append(sizes[g.size()], g)
		}
		for _, k := range slices.Sorted(maps.Keys(sizes)) {
			if len(sizes[k]) >= fanIn {
				return take(sizes[k], 1<<62)
			}
		}
		if len(small) < 2 {
			continue
		}
		slices.SortStableFunc(small, func(a, b group) int { return cmp.Compare(a.rows, b.rows) })
		var rest int64
		for _, g := range small[:len(small)-1] {
			rest += g.rows
		}
		if all || now.After(over(m).Add(settleTime)) && rest >= small[len(small)-1].rows/4 {
			return take(small, 1<<62)
		}
	}
	return nil
}

// take cuts a list of groups to what one merge may hold; never to fewer than two, or one to split.
func take(groups []group, rows int64) []group {
	var loaded int64
	for i, g := range groups {
		loaded += min(g.rows, loadedGroup)
		rows -= g.rows
		if i >= 2 && (i >= maxSources || loaded > maxLoaded) || i >= 1 && rows < 0 {
			return groups[:i]
		}
	}
	return groups
}
