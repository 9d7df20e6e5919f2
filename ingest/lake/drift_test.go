package lake

import (
	"context"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"marginline/ingest/series"
)

// rowsOfDrift is a row for each result of polls, by vehicle: what a detector made of them does not matter here.
func rowsOfDrift(polls []*series.Poll) (rows []Drift) {
	for _, p := range polls {
		for i := range p.Results {
			r := &p.Results[i]
			d := emptyDrift()
			d.Unit, d.VIN, d.ECU, d.Test = unitIn(p), p.VIN, r.ECU, fmt.Sprintf("%s.n%d", r.Test, i)
			d.ReadAt, d.ReportID, d.Epoch, d.Value, d.UnitOfMeasure = p.ReadAt, p.ReportID, 1, float64(i), r.UnitOfMeasure
			d.Score = float64(len(p.ReportID))
			rows = append(rows, d)
		}
	}
	return rows
}

func unitIn(p *series.Poll) string { return "unit-" + p.Device }

// fold commits the rows of polls as the next of their units' folds.
func fold(t testing.TB, l *Lake, polls []*series.Poll) {
	t.Helper()
	w := writer(t, l)
	add(t, w, rowsOfDrift(polls))
	commitDrift(t, w)
}

func writer(t testing.TB, l *Lake) *DriftWriter {
	t.Helper()
	w := l.DriftWriter()
	if err := w.Reset(t.Context(), "s1"); err != nil {
		t.Fatal(err)
	}
	return w
}

func add(t testing.TB, w *DriftWriter, rows []Drift) {
	t.Helper()
	for _, d := range rows {
		if err := w.Add(d); err != nil {
			t.Fatal(err)
		}
	}
}

// again folds the unit anew from rows.
func again(t testing.TB, w *DriftWriter, unit string, rows []Drift) {
	t.Helper()
	w.Begin(unit)
	for _, d := range rows {
		if d.Unit == unit {
			add(t, w, []Drift{d})
		}
	}
}

func covering(l *Lake) Coverage { return Coverage{l.Position(), "rules roster"} }

func commitDrift(t testing.TB, w *DriftWriter) {
	t.Helper()
	w.Seal(covering(w.l))
	if err := w.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// stands reads the drift table as a stranger does by the documented query: of each unit the rows of the newest fold,
// without end marks.
func stands(t testing.TB, l *Lake) (rows []Drift) {
	t.Helper()
	p, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	defer p.Release()
	all := everyRow(t, l, p.set)
	most := map[string]int64{}
	for _, d := range all {
		most[d.Unit] = max(most[d.Unit], d.fold)
	}
	for _, d := range all {
		if d.fold == most[d.Unit] && !d.mark() {
			rows = append(rows, d)
		}
	}
	return rows
}

func everyRow(t testing.TB, l *Lake, s *set) (all []Drift) {
	t.Helper()
	err := l.mergedDrift(context.Background(), s.heads[drift].files, func(d *Drift) error {
		all = append(all, *d)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// names are rows in an order of their own, without the fold: what a query of the newest fold gives.
func names(rows []Drift) []string {
	var out []string
	for _, d := range rows {
		out = append(out, fmt.Sprint(d.Unit, " ", d.Test, " ", d.ReadAt.UnixMicro(), " ", d.ReportID, " ", d.Score))
	}
	slices.Sort(out)
	return out
}

func sameDrift(t testing.TB, what string, got, want []Drift) {
	t.Helper()
	g, w := names(got), names(want)
	if !slices.Equal(g, w) {
		t.Errorf("%s: %d rows stand, want %d", what, len(g), len(w))
		for i := range min(len(g), len(w)) {
			if g[i] != w[i] {
				t.Errorf("first %q, want %q", g[i], w[i])
				return
			}
		}
	}
}

// spread is polls of several vehicles with results each.
func spread(from, n int) []*series.Poll {
	var out []*series.Poll
	for i := range n {
		out = append(out, poll(i%4, from+i, 5))
	}
	return out
}

// reported commits polls, so that drift has something to rest on.
func reported(t *testing.T, l *Lake, polls []*series.Poll) {
	t.Helper()
	seq := l.Position().Seq
	feed(l, polls, seq+1)
	commit(t, l, seq+uint64(len(polls)))
}

func TestNewestFoldStands(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	first, second := spread(0, 12), spread(12, 8)
	reported(t, l, first)
	w := writer(t, l)
	add(t, w, rowsOfDrift(first))
	commitDrift(t, w)
	reported(t, l, second)
	add(t, w, rowsOfDrift(second)) // goes on
	commitDrift(t, w)
	all := rowsOfDrift(slices.Concat(first, second))
	sameDrift(t, "two commits of one fold", stands(t, l), all)
	if got := l.Folded(); got != covering(l) {
		t.Errorf("folded %v, want %v", got, covering(l))
	}

	// One unit is folded again and gets fewer rows; the others keep theirs, under the fold that they had.
	unit := unitIn(first[0])
	folds := func() map[string]int64 {
		m := map[string]int64{}
		for _, d := range stands(t, l) {
			m[d.Unit] = d.fold
		}
		return m
	}
	before := folds()
	less := slices.DeleteFunc(rowsOfDrift(first), func(d Drift) bool { return d.Unit != unit })
	again(t, w, unit, less)
	commitDrift(t, w)
	others := slices.DeleteFunc(slices.Clone(all), func(d Drift) bool { return d.Unit == unit })
	want := slices.Concat(others, less)
	sameDrift(t, "a unit folded again", stands(t, l), want)
	for u, f := range folds() {
		if (f != before[u]) != (u == unit) {
			t.Errorf("unit %s: fold %d, was %d", u, f, before[u])
		}
	}

	// The order of begin, add and begin again within one commit is the last word.
	again(t, w, unit, all)
	again(t, w, unit, less)
	commitDrift(t, w)
	sameDrift(t, "folded twice before a commit", stands(t, l), want)

	// A unit without rows leaves an end mark, and so does one that is gone.
	w.Begin(unit)
	w.Seal(covering(l), unitIn(first[1]), "nobody")
	if err := w.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	want = slices.DeleteFunc(slices.Clone(all), func(d Drift) bool { return d.Unit == unit || d.Unit == unitIn(first[1]) })
	sameDrift(t, "two units without rows", stands(t, l), want)
	verified(t, dir)

	// After another start rows go on from the fold that stands.
	l = open(t, dir)
	w = writer(t, l)
	third := spread(20, 4)
	reported(t, l, third)
	add(t, w, rowsOfDrift(third))
	commitDrift(t, w)
	want = append(want, rowsOfDrift(third)...)
	sameDrift(t, "after another start", stands(t, l), want)

	// Compaction drops what is superseded, and the marks with it; what stands stays.
	compact(t, l, true)
	sameDrift(t, "compacted", stands(t, l), want)
	if all := everyRow(t, l, l.set); len(all) != len(want) {
		t.Errorf("%d rows are left, %d stand", len(all), len(want))
	}
	if n := l.Stats()[drift].Files; n != 1 {
		t.Errorf("%d files", n)
	}
	if op := l.tables[drift].tip.snapshot(l.tables[drift].head.snapshot).Summary["operation"]; op != "overwrite" {
		t.Errorf("an %q snapshot dropped rows", op)
	}
	verified(t, dir)
	sameDrift(t, "opened again", stands(t, open(t, dir)), want)
}

// A fit of the cohorts folds every unit again: what it supersedes, however many files, goes in one change and unread, and
// nothing of them is remembered.
func TestSupersededFilesGoAtOnce(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	polls := spread(0, 12)
	reported(t, l, polls)
	w := writer(t, l)
	rows := rowsOfDrift(polls)
	const times = fanIn - 1 // so few are not merged for their number
	for range times {
		for _, u := range w.Units() {
			again(t, w, u, rows)
		}
		if len(w.Units()) == 0 {
			add(t, w, rows)
		}
		commitDrift(t, w)
	}
	if n := l.Stats()[drift].Files; n != times {
		t.Fatalf("%d files, want %d", n, times)
	}
	for _, f := range l.set.heads[drift].files[:times-1] { // what is read of them is an error
		if err := os.Truncate(f.path, 10); err != nil {
			t.Fatal(err)
		}
	}
	before, _ := versionOf(t, l, drift)
	if done := compact(t, l, false); done.Merges != 1 || done.Groups != times-1 || done.Into != 0 || done.Rows != int64((times-1)*len(rows)) {
		t.Errorf("compacted: %+v", done)
	}
	if after, _ := versionOf(t, l, drift); after != before+1 {
		t.Errorf("%d versions to drop %d files, want 1", after-before, times-1)
	}
	if op := l.tables[drift].tip.snapshot(l.tables[drift].head.snapshot).Summary["operation"]; op != "delete" {
		t.Errorf("an %q snapshot dropped files", op)
	}
	sameDrift(t, "compacted", stands(t, l), rows)
	compact(t, l, false)
	if n := len(l.folds.known); n != 1 {
		t.Errorf("the folds of %d files are remembered, one is live", n)
	}
	verified(t, dir)
}

// A commit of reports does not wait for drift, and a position without rows is carried.
func TestDriftFollowsThePosition(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	reported(t, l, spread(0, 4))
	if l.Folded() != (Coverage{}) {
		t.Errorf("folded %v", l.Folded())
	}
	w := writer(t, l)
	commitDrift(t, w) // no rows
	if l.Folded() != covering(l) || l.Stats()[drift].SnapshotID != 0 {
		t.Errorf("folded %v, snapshot %d", l.Folded(), l.Stats()[drift].SnapshotID)
	}
	at := l.Folded()
	reported(t, l, spread(4, 4))
	compact(t, l, true)
	if l.Folded() != at {
		t.Errorf("folded %v, want %v", l.Folded(), at)
	}
	if got := open(t, l.dir).Folded(); got != at {
		t.Errorf("opened again: folded %v, want %v", got, at)
	}
	seen := map[string]bool{}
	if err := l.ReportedAfter(t.Context(), at.Seq, func(_, device string) { seen[device] = true }); err != nil {
		t.Fatal(err)
	}
	if len(seen) != 4 {
		t.Errorf("%d devices reported since", len(seen))
	}
	clear(seen)
	if err := l.ReportedAfter(t.Context(), l.Position().Seq, func(_, device string) { seen[device] = true }); err != nil || len(seen) != 0 {
		t.Errorf("%v after the end (%v)", seen, err)
	}
}

// Rows that were spilled before a commit are no strays, whatever their age, and are seen only with it.
func TestSpilledRowsWaitForTheirCommit(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l := open(t, dir)
	polls := spread(0, 20)
	reported(t, l, polls)
	w := writer(t, l)
	rows := rowsOfDrift(polls)
	for i := range 4 {
		add(t, w, rows[i*25:(i+1)*25])
		if err := w.Spill(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	later(l, 20*time.Hour)
	sweepNow(t, l, 0)
	later(l, 40*time.Hour)
	if done := sweepNow(t, l, 0); done.Files != 0 {
		t.Errorf("%+v: files that wait for their commit were swept", done)
	}
	if got := stands(t, l); len(got) != 0 {
		t.Errorf("%d rows are seen before their commit", len(got))
	}
	again(t, w, unitIn(polls[0]), rows) // what was spilled of it is void
	commitDrift(t, w)
	sameDrift(t, "spilled", stands(t, l), rows)
	verified(t, dir)

	// What was spilled and never committed is swept.
	add(t, w, rowsOfDrift(spread(20, 4)))
	if err := w.Spill(t.Context()); err != nil {
		t.Fatal(err)
	}
	w = writer(t, l)
	w.drop()
	l = open(t, dir)
	later(l, 60*time.Hour)
	sweepNow(t, l, 0)
	later(l, 80*time.Hour)
	if done := sweepNow(t, l, 0); done.Files == 0 {
		t.Error("files of rows that were never committed stay")
	}
	sameDrift(t, "swept", stands(t, l), rows)
}

// Upkeep drops rows whose readings went by age.
func TestDriftGoesWithItsReadings(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	old, new := spread(0, 8), spread(3000, 8) // hours apart
	reported(t, l, old)
	fold(t, l, old)
	reported(t, l, new)
	fold(t, l, new)
	cut := old[len(old)-1].ReadAt.Add(time.Hour)
	if !new[0].ReadAt.After(cut.Add(agedFor + 24*time.Hour)) {
		t.Fatalf("%v and %v are too near", cut, new[0].ReadAt)
	}
	l.now = func() time.Time { return cut.Add(agedFor + minLimit) }
	if _, err := l.Retain(t.Context(), Limits{Readings: minLimit}); err != nil {
		t.Fatal(err)
	}
	compact(t, l, false)
	sameDrift(t, "retained", stands(t, l), rowsOfDrift(new))
	verified(t, l.dir)
}

// driftJobs are what may be cut short at any step: a commit that goes on and refolds, and a compaction.
var driftJobs = map[string]func(l *Lake, w *DriftWriter) error{
	"commit":  func(_ *Lake, w *DriftWriter) error { return w.Commit(context.Background()) },
	"compact": func(l *Lake, _ *DriftWriter) error { return l.compactDrift(context.Background(), true, &Compacted{}) },
}

// drifted is a lake with some drift, and rows that wait for a commit; before and after are what stands.
func drifted(t *testing.T, dir string) (l *Lake, w *DriftWriter, before, after []Drift) {
	l = open(t, dir)
	first, second := spread(0, 12), spread(12, 8)
	reported(t, l, first)
	fold(t, l, first[:8])
	fold(t, l, first[8:])
	reported(t, l, second)
	w = writer(t, l)
	before = rowsOfDrift(first)
	after = rowsOfDrift(slices.Concat(first, second))
	again(t, w, unitIn(first[0]), after)
	for _, d := range rowsOfDrift(second) {
		if d.Unit != unitIn(first[0]) {
			add(t, w, []Drift{d})
		}
	}
	w.Seal(covering(l))
	return l, w, before, after
}

func driftSteps(t *testing.T, job string) []string {
	l, w, _, _ := drifted(t, t.TempDir())
	var names []string
	l.step = func(s string) error { names = append(names, s); return nil }
	for _, tb := range l.tables {
		tb.step = l.did
	}
	if err := driftJobs[job](l, w); err != nil {
		t.Fatal(err)
	}
	l.step = nil
	return slices.Compact(names)
}

func TestDeathAtEveryStepOfDrift(t *testing.T) {
	for job, do := range driftJobs {
		for _, at := range driftSteps(t, job) {
			t.Run(job+" at "+at, func(t *testing.T) {
				t.Parallel()
				dir := t.TempDir()
				l, w, before, after := drifted(t, dir)
				pos := l.Position()
				mem := l.mem
				dieIn(t, l, at, func() error { return do(l, w) })
				l.mem = mem

				l = open(t, dir)
				if l.Position() != pos {
					t.Errorf("position %v, want %v: reports do not depend on drift", l.Position(), pos)
				}
				// The link of the commit point is the moment of the commit.
				want := before
				if job == "commit" && (at == "reports.link" || at == "reports.sync" || at == "reports.hint") {
					want = after
				}
				sameDrift(t, "after the death", stands(t, l), want)
				if complete := l.Folded() == covering(l); complete != (len(want) == len(after)) {
					t.Errorf("folded %v, committed %v", l.Folded(), l.Position())
				}
				verified(t, dir)
				othersSee(t, l)

				// Who reported since is folded again, as the service does at its start.
				w = writer(t, l)
				again := map[string]bool{}
				if err := l.ReportedAfter(t.Context(), l.Folded().Seq, func(_, device string) { again["unit-"+device] = true }); err != nil {
					t.Fatal(err)
				}
				for unit := range again {
					w.Begin(unit)
				}
				for _, d := range after {
					if again[d.Unit] {
						add(t, w, []Drift{d})
					}
				}
				commitDrift(t, w)
				sameDrift(t, "healed", stands(t, l), after)
				if err := driftJobs["compact"](l, w); err != nil {
					t.Fatal(err)
				}
				sameDrift(t, "compacted", stands(t, l), after)
				verified(t, dir)
				othersSee(t, l)
			})
		}
	}
}

func TestFailureAtEveryStepOfDrift(t *testing.T) {
	for job, do := range driftJobs {
		for _, at := range driftSteps(t, job) {
			t.Run(job+" at "+at, func(t *testing.T) {
				t.Parallel()
				dir := t.TempDir()
				l, w, before, after := drifted(t, dir)
				err := failingOnce(t, l, at, func() error { return do(l, w) })
				if err != nil {
					sameDrift(t, "after the failure", stands(t, l), before)
				}
				// Reports go on, more rows come, and the next commit holds all of them once.
				third := spread(20, 4)
				reported(t, l, third)
				add(t, w, rowsOfDrift(third))
				commitDrift(t, w)
				if job == "compact" {
					if err := do(l, w); err != nil {
						t.Fatal(err)
					}
				}
				want := append(slices.Clip(after), rowsOfDrift(third)...)
				sameDrift(t, "tried again", stands(t, l), want)
				if l.Folded() != covering(l) {
					t.Errorf("folded %v", l.Folded())
				}
				verified(t, dir)
				sameDrift(t, "opened again", stands(t, open(t, dir)), want)
			})
		}
	}
}
