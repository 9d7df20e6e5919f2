package lake

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// history commits polls of several vehicles, n commits of several reports, a day of readings apart.
func history(t *testing.T, l *Lake, commits int) (all []*series.Poll, seq uint64) {
	t.Helper()
	for c := range commits {
		var polls []*series.Poll
		for v := range 5 {
			p := poll(v, c*4, 3+v)
			polls = append(polls, p)
		}
		feed(l, polls, seq+1)
		seq += uint64(len(polls))
		commit(t, l, seq)
		all = append(all, polls...)
	}
	return all, seq
}

func compact(t *testing.T, l *Lake, all bool) Compacted {
	t.Helper()
	done, err := l.Compact(t.Context(), all)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

// months says how many files of the reports table each month has; a file of several months fails.
func months(t *testing.T, l *Lake) map[int]int {
	t.Helper()
	n := map[int]int{}
	for _, f := range l.set.heads[reports].files {
		if month(f.readFrom) != month(f.readTo) {
			t.Errorf("file %s holds more than a month", f.path)
		}
		n[month(f.readFrom)]++
	}
	return n
}

func TestCompactionChangesNothingButFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	l.full = 400 // so that a month takes more than one group
	all, seq := history(t, l, 70)
	before, pos := l.Stats(), l.Position()
	done := compact(t, l, true)
	after := l.Stats()
	if done.Groups < 70 || done.Merges == 0 || after[reports].Files >= before[reports].Files/3 {
		t.Errorf("%+v: %d files of %d", done, after[reports].Files, before[reports].Files)
	}
	for i := range specs {
		if after[i].Rows != before[i].Rows {
			t.Errorf("table %s has %d rows, had %d", specs[i].name, after[i].Rows, before[i].Rows)
		}
	}
	per := months(t, l)
	if len(per) < 3 || per[month(micros(epoch))] < 2 {
		t.Errorf("files by month: %v", per)
	}
	if l.Position() != pos {
		t.Errorf("position %v, was %v", l.Position(), pos)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	one := slices.DeleteFunc(slices.Clone(all), func(p *series.Poll) bool { return p.VIN != all[2].VIN })
	same(t, fetch(t, l, []string{all[2].VIN}, nil, time.Time{}), ordered(one))
	verified(t, dir)

	if again := compact(t, l, true); again.Merges != 0 {
		t.Errorf("a second compaction finds work: %+v", again)
	}
	feed(l, batch(5000, 9), seq+1)
	commit(t, l, seq+9)
	all = append(all, batch(5000, 9)...)
	l = open(t, dir)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	tablesHold(t, l, all)
	othersSee(t, l)
	verified(t, dir)
}

// What the specification asks of a "replace" snapshot ("Snapshots": data and delete files were added and
// removed without changing table data) and of the entries of removed files ("Manifest Entry Fields": status
// 2, with the snapshot that removed them). Apache Iceberg table specification v2, from memory.
func TestReplaceSnapshot(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	all, _ := history(t, l, 9)
	fold(t, l, all[:20])
	fold(t, l, all[20:])
	before := l.Stats()
	compact(t, l, true)
	for i, tb := range l.tables {
		gone := before[i].Files
		s := tb.tip.snapshot(tb.tip.current())
		sum := s.Summary
		if sum["operation"] != "replace" || sum["added-records"] != sum["deleted-records"] || sum["deleted-data-files"] != itoa(int64(gone)) || sum["added-data-files"] != "1" || sum["total-data-files"] != "1" {
			t.Errorf("table %s: %v", tb.name, sum)
		}
		if sum[keySeq] != "45" || sum[keyStream] != stream {
			t.Errorf("table %s: the position is not carried on: %v", tb.name, sum)
		}
		list, err := readList(tb.actual(s.ManifestList))
		if err != nil {
			t.Fatal(err)
		}
		if len(list) != 1 || list[0].DeletedDataFiles() != int32(gone) || list[0].AddedDataFiles() != 1 || list[0].ExistingDataFiles() != 0 || list[0].SnapshotID() != s.ID {
			t.Errorf("table %s: manifests %v", tb.name, list)
		}
	}
	feed(l, batch(5000, 5), 46)
	commit(t, l, 50)
	if got := l.tables[reports].tip.snapshot(l.tables[reports].head.snapshot).Summary["total-data-files"]; got != "2" {
		t.Errorf("%s files after the next append", got)
	}
}

func TestPlan(t *testing.T) {
	at := func(y, m, d int) int64 { return micros(time.Date(y, time.Month(m), d, 12, 0, 0, 0, time.UTC)) }
	now := time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC)
	g := func(rows, from, to int64) group { return group{rows: rows, from: from, to: to} }
	many := func(n int, g group) (out []group) {
		for range n {
			out = append(out, g)
		}
		return out
	}
	may, march := g(100, at(2026, 5, 1), at(2026, 5, 2)), g(100, at(2026, 3, 1), at(2026, 3, 31))
	mixed := g(100, at(2026, 3, 31), at(2026, 4, 1))
	for name, c := range map[string]struct {
		groups []group
		all    bool
		want   int
	}{
		"nothing":                           {nil, true, 0},
		"too few of this month":             {many(7, may), false, 0},
		"enough of this month":              {many(8, may), false, 8},
		"asked for":                         {many(2, may), true, 2},
		"one is as few as can be":           {many(1, may), true, 0},
		"full ones stay":                    {many(20, g(fullRows/2, may.from, may.to)), true, 0},
		"of different sizes":                {append(many(7, may), many(7, g(5000, may.from, may.to))...), false, 0},
		"of one size among others":          {append(many(9, may), many(7, g(5000, may.from, may.to))...), false, 9},
		"a month that is over":              {many(2, march), false, 2},
		"a trickle into a month over":       {append(many(1, march), g(100_000, march.from, march.to)), false, 0},
		"a month that has only just ended":  {many(2, g(100, at(2026, 4, 1), at(2026, 4, 30))), false, 2},
		"a few that hold two months":        {many(7, mixed), false, 0},
		"many that hold two months":         {many(8, mixed), false, 8},
		"one that holds two months":         {many(1, mixed), true, 1},
		"aged ones stay":                    {many(20, group{rows: 5, aged: true}), true, 0},
		"no more than memory takes":         {many(64, g(1<<19, march.from, march.to)), true, 4},
		"no more files than can be open":    {many(500, march), true, maxSources},
		"a huge one that holds two months":  {many(2, g(3<<20, mixed.from, mixed.to)), true, 1},
		"two large ones, memory or no":      {many(2, g(1<<19, march.from, march.to)), true, 2},
		"the last day of March is in March": {many(2, g(9, at(2026, 3, 31), at(2026, 3, 31))), false, 2},
	} {
		if got := (planner{now: now, all: c.all, full: fullRows, least: leastRows}).plan(c.groups); len(got) != c.want {
			t.Errorf("%s: %d groups, want %d", name, len(got), c.want)
		}
	}
	soon := over(month(at(2026, 4, 30)))
	if want := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC); !soon.Equal(want) {
		t.Errorf("April ends at %v", soon)
	}
	early := planner{now: time.Date(2027, 1, 2, 0, 0, 0, 0, time.UTC), full: fullRows, least: leastRows}
	if got := early.plan(many(2, g(100, at(2026, 12, 1), at(2026, 12, 31)))); got != nil {
		t.Error("December is taken to be over a day after its end")
	}
}

// Merging a row again and again as it rises through the sizes costs a bounded number of rewrites.
func TestRewritesAreBounded(t *testing.T) {
	now := time.Date(2026, 5, 31, 0, 0, 0, 0, time.UTC)
	day := micros(time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC))
	var groups []group
	var rows, rewritten int64
	for i := range 20_000 {
		groups = append(groups, group{name: fmt.Sprintf("%06d", i), rows: 250, from: day, to: day})
		rows += 250
		for {
			take := planner{now: now, full: fullRows, least: leastRows}.plan(groups)
			if take == nil {
				break
			}
			sum := group{name: take[len(take)-1].name, from: day, to: day}
			gone := map[string]bool{}
			for _, g := range take {
				sum.rows += g.rows
				gone[g.name] = true
			}
			rewritten += sum.rows
			groups = append(slices.DeleteFunc(groups, func(g group) bool { return gone[g.name] }), sum)
		}
	}
	if f := float64(rewritten) / float64(rows); f > 6 || len(groups) > 60 {
		t.Errorf("each row was written %.1f times more, %d groups remain", f, len(groups))
	}
}

func TestEveryColumnComesThroughCompaction(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	full, bare, hostile := everything()
	more := poll(1, 3, 40)
	for i, p := range []*series.Poll{full, bare, hostile, more} {
		feed(l, []*series.Poll{p}, uint64(i+1))
		commit(t, l, uint64(i+1))
	}
	l.tables[readings].spec = withSealed(l.tables[readings].spec, 7) // reports span row groups
	l.big = 0                                                        // zstd
	if done := compact(t, l, true); done.Groups == 0 {
		t.Fatal("nothing was compacted")
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered([]*series.Poll{full, bare, hostile, more}))
	verified(t, l.dir)
}

func withSealed(s *spec, rows int) *spec {
	o := *s
	o.sealed = rows
	return &o
}

// Commits go on while groups are merged; nothing that they append is lost, and readers see whole states.
func TestCommitsBesideCompaction(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	all, seq := history(t, l, 20)
	stop, ended := make(chan struct{}), make(chan error, 1)
	go func() {
		for {
			select {
			case <-stop:
				ended <- nil
				return
			default:
			}
			if _, err := l.Compact(t.Context(), true); err != nil && !errors.Is(err, errLater) {
				ended <- err
				return
			}
		}
	}()
	for c := range 30 {
		polls := batch(4000+c*5, 5)
		feed(l, polls, seq+1)
		seq += 5
		commit(t, l, seq)
		all = append(all, polls...)
		if n := len(fetch(t, l, nil, nil, time.Time{})); n != len(all) {
			t.Fatalf("%d reports after commit %d, want %d", n, c, len(all))
		}
	}
	close(stop)
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	verified(t, dir)
	l = open(t, dir)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
	tablesHold(t, l, all)
}

func TestCompactionOfDamageStops(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	all, _ := history(t, l, 9)
	path := l.set.heads[readings].files[4].path
	if err := truncate(path); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Compact(t.Context(), true); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("error %v, want one that names %s", err, path)
	}
	if got := l.Stats()[reports]; got.Files != 9 || got.Rows != int64(len(all)) {
		t.Errorf("%+v", got)
	}
	sum, problems := verdict(t, l.dir)
	if sum.Stray != 0 || len(problems) == 0 {
		t.Errorf("%d stray files, problems %v", sum.Stray, problems)
	}
}
