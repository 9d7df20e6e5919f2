package lake

import (
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// older makes a spec as it was before its last n columns came.
func older(s *spec, n int) *spec {
	o := *s
	o.columns = o.columns[:len(o.columns)-n]
	return &o
}

// unopened is a lake of which nothing was read yet.
func unopened(t *testing.T, dir string) *Lake {
	t.Helper()
	l := newLake(dir, slog.New(slog.DiscardHandler))
	var err error
	if l.metrics, err = newMetrics(nil); err != nil {
		t.Fatal(err)
	}
	return l
}

// A process that dies while columns are added leaves a lake that opens and has them all.
func TestDeathWhileColumnsAreAdded(t *testing.T) {
	made := t.TempDir()
	old := unopened(t, made)
	old.specs[readings], old.specs[reports] = older(&specs[readings], 2), older(&specs[reports], 2)
	if err := old.open(); err != nil {
		t.Fatal(err)
	}
	feed(old, batch(0, 6), 1)
	commit(t, old, 6)
	if err := old.Close(); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{"readings", "reports"} {
		for _, step := range []string{"metadata", "link", "sync", "hint"} {
			t.Run(table+"."+step, func(t *testing.T) {
				t.Parallel()
				dir := copied(t, made)
				l := unopened(t, dir)
				dieIn(t, l, table+"."+step, l.open)
				l = open(t, dir)
				for _, tb := range l.tables {
					if names := tb.lacks(); len(names) > 0 {
						t.Errorf("table %s lacks %q", tb.name, names)
					}
				}
				feed(l, batch(6, 6), 7)
				commit(t, l, 12)
				intact(t, l, ordered(batch(0, 6), batch(6, 6)))
			})
		}
	}
}

// A lake written by a release with fewer columns is opened by this one: the columns are added, old rows
// read as null there, new rows carry them, and what was there stays as it was.
func TestColumnsOfALaterRelease(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	first, second := batch(0, 12), batch(12, 9)
	for _, p := range second {
		p.Context.MinutesSinceClear = 1234
		p.CVNs = map[string]string{"7e8": "1A2B3C4D"}
	}
	old := unopened(t, dir)
	old.specs[readings], old.specs[reports], old.specs[drift] = older(&specs[readings], 2), older(&specs[reports], 2), older(&specs[drift], 2)
	if err := old.open(); err != nil {
		t.Fatal(err)
	}
	feed(old, first, 1)
	commit(t, old, 12)
	fold(t, old, first)
	columns := len(old.tables[readings].tip.schema().Fields())
	if err := old.Close(); err != nil {
		t.Fatal(err)
	}
	verified(t, dir) // reads an older lake without changing it

	l := open(t, dir)
	tip := l.tables[readings].tip
	if len(tip.Schemas) != 2 || tip.CurrentSchemaID != 1 || len(tip.schema().Fields()) != columns+2 || tip.LastColumnID != 41 {
		t.Errorf("%d schemas, current %d with %d columns, last id %d", len(tip.Schemas), tip.CurrentSchemaID, len(tip.schema().Fields()), tip.LastColumnID)
	}
	if f, ok := tip.schema().FindFieldByName("cvn"); !ok || f.ID != 41 || f.Required {
		t.Errorf("column cvn is %v", f)
	}
	if got := l.tables[codes].version; got != 2 {
		t.Errorf("codes has version %d: it lacks nothing", got)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(first))
	feed(l, second, 13)
	commit(t, l, 21)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(first, second))
	verified(t, dir)
	if s := l.tables[readings].tip.Snapshots; s[0].SchemaID != 0 || s[1].SchemaID != 1 {
		t.Errorf("snapshots under schemas %d and %d", s[0].SchemaID, s[1].SchemaID)
	}
	version := l.tables[readings].version
	again := open(t, dir)
	if again.tables[readings].version != version {
		t.Error("columns were added a second time")
	}
	if _, err := again.Compact(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	same(t, fetch(t, again, nil, nil, time.Time{}), ordered(first, second))
	fold(t, again, second)
	compact(t, again, true)
	sameDrift(t, "older and newer files merged", stands(t, again), rowsOfDrift(ordered(first, second)))
	verified(t, dir)
}

// Field ids are for ever. This list is the tables' promise to every file and engine; it only grows, and
// what is added is optional.
func TestFieldIDsNeverChange(t *testing.T) {
	want, err := os.ReadFile(filepath.Join("testdata", "fields.txt"))
	if err != nil {
		t.Fatal(err)
	}
	var got []byte
	for i := range specs {
		ids := map[int]bool{}
		for j := range specs[i].columns {
			c := &specs[i].columns[j]
			if ids[c.id] {
				t.Errorf("%s: two columns have id %d", specs[i].name, c.id)
			}
			ids[c.id] = true
			need := "optional"
			if c.required {
				need = "required"
			}
			got = append(got, []byte(specs[i].name+" "+show(&c.id)+" "+c.name+" "+c.iceberg().String()+" "+need+"\n")...)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("the columns are now\n%s", got)
	}
}
