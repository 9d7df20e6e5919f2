package lake

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"marginline/ingest/series"
)

func TestFencesPartTheReports(t *testing.T) {
	var vins []string
	for v := range 100 {
		for range 10 + v%3 {
			vins = append(vins, fmt.Sprintf("V%03d", v))
		}
	}
	f := parted(nil, vins, 4)
	count := func(f fences) (n []int) {
		n = make([]int, len(f)+1)
		for _, v := range vins {
			n[f.cell(v)]++
		}
		return n
	}
	for _, n := range count(f) {
		if len(f) != 3 || n < len(vins)/5 || n > len(vins)*3/10 {
			t.Errorf("fences %v leave %v of %d reports a cell", f, count(f), len(vins))
		}
	}
	finer := parted(f, vins, 2)
	for _, old := range f {
		if !slices.Contains(finer, old) {
			t.Errorf("the fence at %s is gone: %v", old, finer)
		}
	}
	if len(finer) != 7 || !slices.IsSorted(finer) {
		t.Errorf("fences %v, want 7", finer)
	}
	if one := parted(nil, vins[:5], 8); len(one) != 0 {
		t.Errorf("one vehicle is parted by %v", one)
	}
	if f.cell("") != 0 || f.cell(f[0]) != 1 || f.cell("zzz") != 3 {
		t.Error("cells do not begin with their fences")
	}
}

func TestPlanOfCells(t *testing.T) {
	at := func(y, m int) int64 { return micros(time.Date(y, time.Month(m), 9, 12, 0, 0, 0, time.UTC)) }
	now := time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)
	f := fences{"G", "N"}
	g := func(rows int64, low, high string, y, m int) group {
		return group{rows: rows, low: low, high: high, from: at(y, m), to: at(y, m)}
	}
	var months []group
	for m := 1; m <= 12; m++ {
		months = append(months, g(50_000, "A", "F", 2025, m))
	}
	for name, c := range map[string]struct {
		groups []group
		all    bool
		want   int
	}{
		"a year that is over, one cell":               {months, false, 10}, // no more than memory takes
		"two cells are not merged":                    {[]group{g(100, "A", "F", 2026, 3), g(100, "H", "K", 2026, 3)}, true, 0},
		"wide ones of an open month":                  {[]group{g(100_000, "A", "Z", 2026, 5), g(100_000, "A", "Z", 2026, 5)}, false, 0},
		"wide ones of a month over are parted":        {[]group{g(30_000, "A", "Z", 2026, 3), g(30_000, "A", "Z", 2026, 3)}, false, 2},
		"a wide one of a month over is parted":        {[]group{g(60_000, "A", "Z", 2026, 3)}, false, 1},
		"a little wide one stays":                     {[]group{g(40_000, "A", "Z", 2026, 3)}, false, 0},
		"asked for, it is parted":                     {[]group{g(10, "A", "Z", 2026, 3)}, true, 1},
		"a large one of an older release is parted":   {[]group{g(3<<20, "A", "Z", 2025, 3)}, false, 1},
		"a full one of one cell stays":                {[]group{g(fullRows, "A", "F", 2025, 3), g(9, "A", "F", 2025, 3)}, true, 0},
		"without known bounds":                        {[]group{{rows: 9, from: at(2025, 3), to: at(2025, 3), unbounded: true}}, true, 0},
		"two years are two periods":                   {[]group{g(9, "A", "F", 2025, 3), g(9, "A", "F", 2024, 3)}, true, 0},
		"one year that is over is one":                {[]group{g(9, "A", "F", 2025, 3), g(9, "A", "F", 2025, 11)}, true, 2},
		"a file of one year that is over is no split": {[]group{{rows: 9, low: "A", high: "B", from: at(2025, 3), to: at(2025, 11)}}, true, 0},
	} {
		got := planner{now: now, all: c.all, full: fullRows, least: leastRows, fences: f}.plan(c.groups)
		if len(got) != c.want {
			t.Errorf("%s: %d groups, want %d", name, len(got), c.want)
		}
	}
}

// A lake that grows beyond what a group holds is parted by vehicle, the files of a year that is over are of the
// year, and whatever is compacted again stays as it is.
func TestCompactionByYearAndCell(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	l.full, l.least = 300, 1
	l.now = func() time.Time { return time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC) }
	var all []*series.Poll
	var seq uint64
	for month := range 14 { // 2026, and January 2027
		for week := range 3 {
			var polls []*series.Poll
			for v := range 8 {
				p := poll(v, month*100+week*10, 4)
				p.ReadAt = time.Date(2026, time.Month(1+month), 3+week*7, 8, v, 0, 0, time.UTC)
				p.Received = p.ReadAt.Add(time.Minute)
				if v == 7 {
					p.VIN = ""
				}
				polls = append(polls, p)
			}
			feed(l, polls, seq+1)
			seq += 8
			commit(t, l, seq)
			all = append(all, polls...)
		}
		if month%5 == 4 {
			compact(t, l, false)
		}
	}
	l.now = func() time.Time { return time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC) }
	compact(t, l, true)
	if len(l.fences) == 0 {
		t.Fatal("no fences")
	}
	years := 0
	for _, f := range l.set.heads[reports].files {
		g := group{low: string(f.vinLow), high: string(f.vinHigh), from: f.readFrom, to: f.readTo}
		if f.withoutVIN > 0 {
			g.low = ""
		}
		p, one := g.shelf(l.fences, l.now())
		if !one || p.cell == wide {
			t.Errorf("a file holds %v to %v, %s to %s", fromMicros(g.from), fromMicros(g.to), g.low, g.high)
		}
		if month(f.readFrom) != month(f.readTo) {
			years++
		}
	}
	if years == 0 {
		t.Error("no file holds a year")
	}
	if again := compact(t, l, true); again.Merges != 0 {
		t.Errorf("a second compaction finds work: %+v", again)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	tablesHold(t, l, all)
	othersSee(t, l)
	fences := l.fences
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, dir)
	if !slices.Equal(l.fences, fences) {
		t.Errorf("after opening the fences are %v, were %v", l.fences, fences)
	}
	verified(t, dir)
}
