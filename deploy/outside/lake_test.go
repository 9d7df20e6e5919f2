package outside

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/apache/iceberg-go"
	"github.com/apache/iceberg-go/table"
)

// Types of Iceberg as DuckDB shows them (Iceberg specification, "Schemas and data types").
var duckType = map[string]string{
	"string": "VARCHAR", "int": "INTEGER", "long": "BIGINT", "double": "DOUBLE", "boolean": "BOOLEAN", "timestamp": "TIMESTAMP",
}

// ofRoster says whether no table holds a column of a view: the present roster says it.
func ofRoster(view, column string) bool { return column == "unit" && view != "drift" }

// Every engine sees the same tables: in many small files as they were committed, and after compaction.
func TestEveryEngineSeesTheSame(t *testing.T) {
	data := makeLake(t)
	lake := filepath.Join(data, "lake")
	small := openTables(t, lake)
	if n := len(plan(t, small["readings"].Scan())); n < 10 {
		t.Fatalf("readings has %d files: too few to say anything about pruning", n)
	}
	t.Run("small files", func(t *testing.T) { agree(t, data, lake) })

	before := scan(t, small["readings"].Scan())
	marginline(t, "lake", "compact", "--data", data)
	t.Run("compacted", func(t *testing.T) { agree(t, data, lake) })

	large := openTables(t, lake)
	for _, name := range slices.Sorted(maps.Keys(large)) {
		was, is := plan(t, small[name].Scan()), plan(t, large[name].Scan())
		if len(is) >= len(was) {
			t.Errorf("%s: lake compact left %d files of %d", name, len(is), len(was))
		}
		if name == "drift" { // by unit, not by time
			continue
		}
		inOnePeriod(t, name, large[name], is)
	}
	id := small["readings"].CurrentSnapshot().SnapshotID
	old := scan(t, large["readings"].Scan(table.WithSnapshotID(id)))
	sameRows(t, "readings at the snapshot before compaction", old.columns, old.rows, before.rows)
}

// agree compares what all readers see of every table of a lake.
func agree(t *testing.T, data, lake string) {
	node := readWithNode(t, lake)
	tables := openTables(t, lake)
	if len(node) != len(tables) {
		t.Errorf("Node sees %d tables, the catalog lists %d", len(node), len(tables))
	}
	for _, name := range slices.Sorted(maps.Keys(tables)) {
		t.Run(name, func(t *testing.T) {
			tbl := tables[name]
			if n := tbl.Metadata().Version(); n != 2 {
				t.Errorf("format version %d, want 2", n)
			}
			if s := tbl.Spec(); s.NumFields() != 0 {
				t.Errorf("partitioned by %v: this test expects none", s)
			}
			all := scan(t, tbl.Scan())
			if len(all.rows) == 0 {
				t.Fatal("no rows: nothing would be compared")
			}
			againstNode(t, tbl, all, node[name])
			againstManifests(t, tbl)
			switch name {
			case "codes":
				codesAgainstDuck(t, data, all)
			case "drift":
				againstDuck(t, data, name, tbl, newestFold(t, all))
				oneUnit(t, tbl, all)
				return
			default:
				againstDuck(t, data, name, tbl, all)
			}
			pruning(t, tbl, all)
		})
	}
}

// newestFold leaves of the rows of drift what stands, as the lake's own notes tell other engines to ask for it: of each unit
// the rows of the greatest fold, without end marks.
func newestFold(t *testing.T, all grid) grid {
	t.Helper()
	unit, fold, report := all.at("unit"), all.at("fold"), all.at("report_id")
	most := map[any]int64{}
	for _, r := range all.rows {
		most[r[unit]] = max(most[r[unit]], r[fold].(int64))
	}
	out := grid{columns: all.columns}
	for _, r := range all.rows {
		if r[fold].(int64) == most[r[unit]] && r[report] != nil {
			out.rows = append(out.rows, r)
		}
	}
	return out
}

// oneUnit asks for the rows of one unit, by which drift is sorted: none is lost.
func oneUnit(t *testing.T, tbl *table.Table, all grid) {
	t.Helper()
	at := all.at("unit")
	unit := all.rows[len(all.rows)/2][at].(string)
	got := scan(t, tbl.Scan(table.WithRowFilter(iceberg.EqualTo(iceberg.Reference("unit"), unit))))
	var want [][]any
	for _, r := range all.rows {
		if r[at] == unit {
			want = append(want, r)
		}
	}
	sameRows(t, "one unit", all.columns, got.rows, want)
}

// againstDuck compares every row and type with the view of the same name.
func againstDuck(t *testing.T, data, view string, tbl *table.Table, all grid) {
	t.Helper()
	types := duckTypes(t, data, view)
	var columns []string
	for _, name := range slices.Sorted(maps.Keys(types)) {
		if ofRoster(view, name) {
			continue
		}
		f, ok := tbl.Schema().FindFieldByName(name)
		if !ok {
			t.Errorf("the view has a column %s, the table has not", name)
			continue
		}
		if want := duckType[f.Type.String()]; types[name] != want {
			t.Errorf("%s is %s in the view and %s in the table, which is %s", name, types[name], f.Type, want)
		}
		columns = append(columns, name)
	}
	want := make([][]any, 0, len(all.rows))
	for _, r := range duck(t, data, "select "+strings.Join(quoted(columns), ", ")+" from "+view) {
		row := make([]any, len(columns))
		for i, c := range columns {
			row[i] = plain(t, types[c], r[c])
		}
		want = append(want, row)
	}
	got := make([][]any, 0, len(all.rows))
	for _, r := range all.rows {
		row := make([]any, len(columns))
		for i, c := range columns {
			row[i] = r[all.at(c)]
		}
		got = append(got, row)
	}
	sameRows(t, view, columns, got, want)
}

func quoted(names []string) []string {
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = `"` + n + `"`
	}
	return q
}

// codesAgainstDuck compares codes with its view, which has one row a code: the same is made of the rows here.
func codesAgainstDuck(t *testing.T, data string, all grid) {
	t.Helper()
	type code struct{ vin, device, ecu, kind, code any }
	type seen struct {
		first, last int64
		reports     map[any]bool
	}
	codes := map[code]*seen{}
	for _, r := range all.rows {
		at := r[all.at("read_at")].(int64)
		k := code{r[all.at("vin")], r[all.at("device")], r[all.at("ecu")], r[all.at("kind")], r[all.at("code")]}
		s := codes[k]
		if s == nil {
			s = &seen{at, at, map[any]bool{}}
			codes[k] = s
		}
		s.first, s.last = min(s.first, at), max(s.last, at)
		s.reports[r[all.at("report_id")]] = true
	}
	var got, want [][]any
	for k, s := range codes {
		got = append(got, []any{k.vin, k.device, k.ecu, k.kind, k.code, s.first, s.last, int64(len(s.reports))})
	}
	types := duckTypes(t, data, "codes")
	columns := []string{"vin", "device", "ecu", "kind", "code", "first_seen", "last_seen", "reports"}
	for _, r := range duck(t, data, "select "+strings.Join(quoted(columns), ", ")+" from codes") {
		row := make([]any, len(columns))
		for i, c := range columns {
			row[i] = plain(t, types[c], r[c])
		}
		want = append(want, row)
	}
	sameRows(t, "codes", columns, got, want)
}

// againstNode compares every column with what the Node reader saw.
func againstNode(t *testing.T, tbl *table.Table, all grid, node tableSeen) {
	t.Helper()
	if files := len(plan(t, tbl.Scan())); node.Rows != len(all.rows) || node.Files != files {
		t.Errorf("Node sees %d rows in %d files, iceberg-go %d in %d", node.Rows, node.Files, len(all.rows), files)
	}
	if len(node.Columns) != len(all.columns) {
		t.Errorf("Node sees %d columns, iceberg-go %d", len(node.Columns), len(all.columns))
	}
	for c, name := range all.columns {
		f, _ := tbl.Schema().FindFieldByName(name)
		p := profile{Type: f.Type.String()}
		for _, r := range all.rows {
			p.add(r[c])
		}
		if !p.same(node.Columns[name]) {
			t.Errorf("%s: Node sees %+v, iceberg-go %+v", name, node.Columns[name], p)
		}
	}
}

// againstManifests compares what the manifests say of each file with the rows in it. An engine that trusts a wrong
// bound leaves rows out and says nothing.
func againstManifests(t *testing.T, tbl *table.Table) {
	t.Helper()
	s := tbl.Scan()
	for _, task := range plan(t, s) {
		f := task.File
		base := filepath.Base(f.FilePath())
		if len(f.Partition()) != 0 {
			t.Errorf("%s has partition values %v in a table without partitions", base, f.Partition())
		}
		if info, err := os.Stat(f.FilePath()); err != nil || info.Size() != f.FileSizeBytes() {
			t.Errorf("%s: %v, want %d bytes", base, err, f.FileSizeBytes())
		}
		g := read(t, s, []table.FileScanTask{task})
		if int64(len(g.rows)) != f.Count() {
			t.Errorf("%s has %d rows, its manifest says %d", base, len(g.rows), f.Count())
		}
		for c, name := range g.columns {
			field, _ := tbl.Schema().FindFieldByName(name)
			p := profile{Type: field.Type.String()}
			var low, high any
			for _, r := range g.rows {
				p.add(r[c])
				if v := r[c]; v != nil {
					if low == nil || less(v, low) {
						low = v
					}
					if high == nil || less(high, v) {
						high = v
					}
				}
			}
			if n, ok := f.NullValueCounts()[field.ID]; ok && n != int64(p.Nulls) {
				t.Errorf("%s: %s has %d nulls, its manifest says %d", base, name, p.Nulls, n)
			}
			if b, ok := f.LowerBoundValues()[field.ID]; ok && low != nil && less(low, literal(t, field.Type, b)) {
				t.Errorf("%s: %s goes down to %v, the manifest's lower bound is %v", base, name, low, literal(t, field.Type, b))
			}
			if b, ok := f.UpperBoundValues()[field.ID]; ok && high != nil && less(literal(t, field.Type, b), high) {
				t.Errorf("%s: %s goes up to %v, the manifest's upper bound is %v", base, name, high, literal(t, field.Type, b))
			}
		}
		inOrder(t, base, tbl, f, g)
	}
}

// inOrder checks that the rows of a file stand in the order that the table declares and the file claims.
func inOrder(t *testing.T, base string, tbl *table.Table, f iceberg.DataFile, g grid) {
	t.Helper()
	order := tbl.SortOrder()
	if order.IsUnsorted() {
		t.Error("the table declares no sort order")
		return
	}
	if id := f.SortOrderID(); id == nil || *id != order.OrderID() {
		t.Errorf("%s claims no sort order, or another than the table's %d", base, order.OrderID())
		return
	}
	var by []int
	for _, o := range order.Fields() {
		if _, plain := o.Transform.(iceberg.IdentityTransform); !plain || o.Direction != table.SortASC || o.NullOrder != table.NullsFirst {
			t.Fatalf("sort field %v: this test knows ascending, nulls first only", o)
		}
		name, _ := tbl.Schema().FindColumnName(o.SourceIDs[0])
		by = append(by, g.at(name))
	}
	for i := 1; i < len(g.rows); i++ {
		a, b := g.rows[i-1], g.rows[i]
		for _, c := range by {
			if a[c] == b[c] {
				continue
			}
			if b[c] == nil || a[c] != nil && less(b[c], a[c]) {
				t.Errorf("%s: row %d stands before its predecessor by %s: %v, %v", base, i, g.columns[c], a[c], b[c])
				return
			}
			break
		}
	}
}

// pruning asks for a span of time in the middle: fewer files are planned than the table has, and no row is lost.
func pruning(t *testing.T, tbl *table.Table, all grid) {
	t.Helper()
	at := all.at("read_at")
	times := make([]int64, 0, len(all.rows))
	for _, r := range all.rows {
		times = append(times, r[at].(int64))
	}
	slices.Sort(times)
	from, to := times[len(times)/2], times[len(times)*11/20]
	if to <= from {
		t.Fatalf("no span of time in %d rows", len(times))
	}
	filter := iceberg.NewAnd(
		iceberg.GreaterThanEqual(iceberg.Reference("read_at"), iceberg.Timestamp(from)),
		iceberg.LessThan(iceberg.Reference("read_at"), iceberg.Timestamp(to)))
	whole, some := plan(t, tbl.Scan()), plan(t, tbl.Scan(table.WithRowFilter(filter)))
	if len(some) >= len(whole) || len(some) == 0 {
		t.Errorf("a twentieth of the rows plans %d of %d files", len(some), len(whole))
	}
	got := scan(t, tbl.Scan(table.WithRowFilter(filter)))
	var want [][]any
	for _, r := range all.rows {
		if v := r[at].(int64); v >= from && v < to {
			want = append(want, r)
		}
	}
	sameRows(t, fmt.Sprintf("read_at from %v", time.UnixMicro(from).UTC()), all.columns, got.rows, want)

	i := slices.IndexFunc(want, func(r []any) bool { return r[all.at("vin")] != nil })
	if i < 0 {
		t.Fatal("no row of these has a VIN")
	}
	vin := want[i][all.at("vin")].(string)
	got = scan(t, tbl.Scan(table.WithRowFilter(iceberg.EqualTo(iceberg.Reference("vin"), vin))))
	want = nil
	for _, r := range all.rows {
		if r[all.at("vin")] == vin {
			want = append(want, r)
		}
	}
	sameRows(t, "one vehicle", all.columns, got.rows, want)
}

// inOnePeriod checks that compaction gave every file one month, or a year that is over, by the bounds that other
// engines prune by.
func inOnePeriod(t *testing.T, name string, tbl *table.Table, tasks []table.FileScanTask) {
	t.Helper()
	f, _ := tbl.Schema().FindFieldByName("read_at")
	for _, task := range tasks {
		from := time.UnixMicro(literal(t, f.Type, task.File.LowerBoundValues()[f.ID]).(int64)).UTC()
		to := time.UnixMicro(literal(t, f.Type, task.File.UpperBoundValues()[f.ID]).(int64)).UTC()
		if from.Year() != to.Year() || from.Month() != to.Month() && from.Year() == time.Now().UTC().Year() {
			t.Errorf("%s: a compacted file holds %v to %v", name, from, to)
		}
	}
}

// readWithNode runs read.mjs.
func readWithNode(t *testing.T, lake string) map[string]tableSeen {
	t.Helper()
	if _, err := os.Stat("node_modules"); err != nil {
		t.Fatal("the Node reader is not installed: run make outside, or npm ci in deploy/outside")
	}
	cmd := exec.CommandContext(t.Context(), "node", "read.mjs", lake)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("node read.mjs: %v\n%s", err, errs.String())
	}
	seen, err := parseSeen(out)
	if err != nil {
		t.Fatalf("node read.mjs: %v", err)
	}
	return seen
}
