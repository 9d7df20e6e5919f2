package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	query "marginline/sql"
)

// driftDigest sums up every row of the view drift; which fold it is of may differ.
const driftDigest = `select count(*) n, count(distinct (unit, ecu, test, report_id)) as places, sum(hash(unit, vin, ecu, test, family, epoch_us(read_at), report_id, epoch, value, min, max,
	unit_of_measure, margin, baseline, z, score, p_cross_30d, epoch_us(limit_p10), epoch_us(limit_p50), epoch_us(limit_p90), settings) % 1000000007) h from drift`

// The view drift has one row for each fresh reading, as the trend of the series on the command line has, and
// nothing of a repeat.
func TestDriftView(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	reports, roster := simulated(t, 4, 60, 3)
	must(t, "import", "--data", data, "--roster", roster, reports)
	r := rows(t, data, `select s.unit, s.ecu, s.test, s.fresh, s.epoch, s.score, s.baseline, count(*) filter (d.epoch = s.epoch) as n, max_by(d.score, d.read_at) as last_score,
		max_by(d.baseline, d.read_at) as last_baseline, count(*) as whole, count(distinct d.report_id) as reports, min(d.settings) as settings
		from series s join drift d using (unit, ecu, test) group by all order by all`)
	if len(r) < 10 {
		t.Fatalf("%d series", len(r))
	}
	scored := 0
	for _, s := range r {
		if s["fresh"] != s["n"] || s["whole"] != s["reports"] || s["score"] != s["last_score"] || s["baseline"] != s["last_baseline"] || s["settings"] == nil {
			t.Errorf("%v", s)
		}
		if s["score"] != nil {
			scored++
		}
	}
	if scored == 0 {
		t.Error("nothing is scored: the comparison says nothing")
	}
	if n := one(t, data, "select count(*) from drift d left join readings r using (unit, ecu, test, report_id) where r.unit is null or r.read_at <> d.read_at or not r.clock_ok"); n != 0 {
		t.Errorf("%v rows of drift without their reading", n)
	}
	if drift, all := one(t, data, "select count(*) from drift"), one(t, data, "select count(*) from readings where state = 'ok'"); drift == 0 || drift >= all {
		t.Errorf("%v fresh of %v readings", drift, all)
	}
}

// opened opens the stages over a data folder as a command does that finds no service.
func opened(t *testing.T, data string) *app {
	t.Helper()
	cfg, err := loadConfig("", nil, map[string]any{"data": data})
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, cfg.logger(io.Discard))
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// behind is a source whose drift table lags, so that the query folds for itself.
type behind struct{ source }

func (b behind) Pin(ctx context.Context, views []string) (query.Snapshot, error) {
	s, err := b.source.Pin(ctx, views)
	if err == nil {
		s.(*pinned).lags = true
	}
	return s, err
}

// asked runs a query over a source and returns its answer as CSV, and the lake tables it read.
func asked(t *testing.T, a *app, src query.Source, text string) (string, []string) {
	t.Helper()
	var b strings.Builder
	to := query.NewCSV(&b)
	sum, err := a.engine.Stream(t.Context(), src, text, to)
	if err == nil {
		err = to.Close()
	}
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	var tables []string
	for _, p := range sum.Snapshots {
		tables = append(tables, p.Table)
	}
	return b.String(), tables
}

// The stored rows are those of a fold of the whole history from its first reading (analyze.Courses), row by row and to
// the last bit. The fold is made of the readings alone, so this is the check against something outside the table.
func TestDriftTableIsTheFold(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	reports, roster := simulated(t, 12, 90, 4)
	must(t, "import", "--data", data, "--roster", roster, reports)
	a := opened(t, data)
	defer a.close()
	const all = "select * exclude (fold, folded_at) from drift order by unit, ecu, test, read_at, report_id"
	stored, tables := asked(t, a, source{app: a}, all)
	if !slices.Contains(tables, "drift") {
		t.Fatalf("the view was not read from its table but from %q", tables)
	}
	if a.watch.built {
		t.Error("a table that is complete was folded again to answer")
	}
	folded, tables := asked(t, a, behind{source{app: a}}, all)
	if slices.Contains(tables, "drift") {
		t.Fatal("the query did not fold for itself")
	}
	if strings.Count(stored, "\n") < 1000 || !strings.Contains(stored, "T") {
		t.Errorf("%d rows", strings.Count(stored, "\n"))
	}
	same(t, "drift", folded, stored)
}

// folds are the fold of each unit, and how many rows stand in it.
func folds(t *testing.T, data string) map[string]string {
	t.Helper()
	m := map[string]string{}
	for _, r := range rows(t, data, "select unit, min(fold) as fold, max(fold) as most, min(folded_at) as folded_at, count(*) as n from drift group by 1") {
		if r["fold"] != r["most"] {
			t.Errorf("rows of several folds stand: %v", r)
		}
		m[r["unit"].(string)] = fmt.Sprint(r["fold"], r["folded_at"], r["n"])
	}
	return m
}

// others checks that the rows of all units but one are of the fold that they were of.
func others(t *testing.T, before, after map[string]string, unit string) {
	t.Helper()
	if len(before) < 3 {
		t.Fatalf("%d units", len(before))
	}
	for u := range before {
		if (before[u] != after[u]) != (u == unit) {
			t.Errorf("unit %s: %s, was %s", u, after[u], before[u])
		}
	}
}

// split takes some lines of a report file out, and returns the devices of those.
func split(t *testing.T, path string, out func(n int, device string) bool) (kept, taken string) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var a, b strings.Builder
	seen := map[string]int{}
	sc := bufio.NewScanner(f)
	sc.Buffer(nil, 1<<20)
	for sc.Scan() {
		var head struct{ Device string }
		if err := json.Unmarshal(sc.Bytes(), &head); err != nil {
			t.Fatal(err)
		}
		seen[head.Device]++
		if out(seen[head.Device], head.Device) {
			fmt.Fprintln(&b, sc.Text())
		} else {
			fmt.Fprintln(&a, sc.Text())
		}
	}
	return write(t, "kept.ndjson", a.String()), write(t, "taken.ndjson", b.String())
}

// A late reading makes new rows for its unit alone, and they are those of an import in order. Compaction drops the
// old ones and changes nothing that is seen.
func TestLateReadingsFoldTheirUnitAgain(t *testing.T) {
	reports, roster := simulated(t, 4, 60, 3)
	calm := filepath.Join(t.TempDir(), "calm")
	must(t, "import", "--data", calm, "--roster", roster, reports)
	wantReadings, wantAlerts := history(t, calm)

	r := rows(t, calm, "select unit, device from units order by 1")
	unit, device := r[1]["unit"].(string), r[1]["device"].(string)
	early, late := split(t, reports, func(n int, d string) bool { return d == device && n%7 == 3 })
	data := filepath.Join(t.TempDir(), "late")
	must(t, "import", "--data", data, "--roster", roster, early)
	before := folds(t, data)
	must(t, "import", "--data", data, late)
	after := folds(t, data)
	others(t, before, after, unit)
	gotReadings, gotAlerts := history(t, data)
	same(t, "readings and drift", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)

	stored := func() float64 {
		var tables []map[string]any
		if err := json.Unmarshal([]byte(must(t, "lake", "verify", "--data", data, "-o", "json")), &tables); err != nil {
			t.Fatal(err)
		}
		for _, x := range tables {
			if x["table"] == "drift" {
				return x["rows"].(float64)
			}
		}
		return 0
	}
	seen := one(t, data, "select count(*) from drift")
	if n := stored(); n <= seen {
		t.Errorf("%v rows are stored, %v are seen: nothing was superseded", n, seen)
	}
	must(t, "lake", "compact", "--data", data)
	if n := stored(); n != seen {
		t.Errorf("%v rows are stored after compaction, %v are seen", n, seen)
	}
	if got := folds(t, data); fmt.Sprint(got) != fmt.Sprint(after) {
		t.Errorf("compaction changed folds: %v, were %v", got, after)
	}
	gotReadings, _ = history(t, data)
	same(t, "compacted", wantReadings, gotReadings)

	// The same reports once more change nothing.
	must(t, "import", "--data", data, reports)
	if got := folds(t, data); fmt.Sprint(got) != fmt.Sprint(after) {
		t.Errorf("repeats changed folds: %v, were %v", got, after)
	}
}

// Another roster makes new rows for the units whose line changed; one that left has none, and has them again when it
// comes back.
func TestRosterFoldsWhatItChanges(t *testing.T) {
	reports, roster := simulated(t, 4, 60, 3)
	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", roster, reports)
	before := folds(t, data)
	whole, _ := history(t, data)
	text, err := os.ReadFile(roster)
	if err != nil {
		t.Fatal(err)
	}
	list := strings.Split(strings.TrimSpace(string(text)), "\n")
	unit, _, _ := strings.Cut(list[2], ",")
	must(t, "import", "--data", data, "--roster", write(t, "less.csv", strings.Join(slices.Delete(slices.Clone(list), 2, 3), "\n")))
	after := folds(t, data)
	others(t, before, after, unit)
	if _, ok := after[unit]; ok {
		t.Errorf("unit %s left the roster and has rows", unit)
	}
	must(t, "lake", "compact", "--data", data)
	if got := folds(t, data); fmt.Sprint(got) != fmt.Sprint(after) {
		t.Errorf("compaction changed folds: %v, were %v", got, after)
	}
	must(t, "import", "--data", data, "--roster", roster)
	others(t, after, folds(t, data), unit)
	again, _ := history(t, data)
	same(t, "the unit came back", whole, again)
	must(t, "lake", "verify", "--data", data)
}

// A process that ends between the commit of the readings and that of drift leaves a table that lags. The next
// that needs it folds what is missing; nothing is missing or doubled.
func TestDriftIsHealed(t *testing.T) {
	reports, roster := simulated(t, 6, 60, 3)
	calm := filepath.Join(t.TempDir(), "calm")
	must(t, "import", "--data", calm, "--roster", roster, reports)
	wantReadings, _ := history(t, calm)
	first, second := split(t, reports, func(n int, _ string) bool { return n > 60 })
	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", roster, first)
	a := opened(t, data)
	if err := a.start(t.Context()); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(second)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := a.importLines(t.Context(), f, nil); err != nil { // nothing is built, so nothing is folded
		t.Fatal(err)
	}
	if err := a.close(); err != nil {
		t.Fatal(err)
	}
	a = opened(t, data)
	if a.lake.Folded().Position == a.lake.Position() {
		t.Fatal("drift does not lag: nothing would be shown")
	}
	if err := a.close(); err != nil {
		t.Fatal(err)
	}
	got, _ := history(t, data)
	same(t, "healed", wantReadings, got)
	must(t, "lake", "verify", "--data", data)
}

// Where drift cannot be written, reports are committed and acknowledged, the failure is counted, a query folds for
// itself, and the table is complete as soon as it can be written again.
func TestDriftHoldsNothingBack(t *testing.T) {
	reports, roster := simulated(t, 4, 60, 3)
	calm := filepath.Join(t.TempDir(), "calm")
	must(t, "import", "--data", calm, "--roster", roster, reports)
	wantReadings, _ := history(t, calm)

	data := filepath.Join(t.TempDir(), "d")
	must(t, "import", "--data", data, "--roster", roster)
	a := opened(t, data)
	defer a.close()
	if err := a.start(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.watch.ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	files := filepath.Join(data, "lake", "drift", "data")
	if err := os.Rename(files, files+".away"); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(reports)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := a.importLines(t.Context(), f, nil); err != nil {
		t.Fatal(err)
	}
	digests := func(src query.Source) (string, bool) {
		got, tables := asked(t, a, src, driftDigest)
		return got, slices.Contains(tables, "drift")
	}
	got, stored := digests(source{app: a})
	if stored {
		t.Error("the view was read from a table that cannot have been written")
	}
	if !strings.HasSuffix(wantReadings, got) {
		t.Errorf("folded for itself: %s, want the end of %s", got, wantReadings)
	}
	if n, err := testutil.GatherAndCount(a.reg, "marginline_lake_drift_commit_failures_total"); err != nil || n != 1 {
		t.Errorf("%d metrics (%v)", n, err)
	}
	if failures := gathered(t, a, "marginline_lake_drift_commit_failures_total"); failures == 0 {
		t.Error("the failure was not counted")
	}
	if err := os.Rename(files+".away", files); err != nil {
		t.Fatal(err)
	}
	got, stored = digests(source{app: a})
	if !stored || !strings.HasSuffix(wantReadings, got) {
		t.Errorf("written again (%v): %s, want the end of %s", stored, got, wantReadings)
	}
	if a.lake.Folded().Position != a.lake.Position() {
		t.Errorf("drift reaches %v, the readings %v", a.lake.Folded(), a.lake.Position())
	}
}

func gathered(t *testing.T, a *app, name string) float64 {
	t.Helper()
	all, err := a.reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.GetName() == name {
			return f.Metric[0].GetCounter().GetValue()
		}
	}
	return 0
}
