package lake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/apache/iceberg-go"
)

// A Problem is one thing that is wrong with a committed lake.
type Problem struct {
	Table string
	File  string // "" when it is not about one file
	What  string
}

// String is table, file and what is wrong.
func (p Problem) String() string {
	if p.File == "" {
		return p.Table + ": " + p.What
	}
	return p.Table + ": " + p.File + ": " + p.What
}

// A Summary is what Verify has looked at.
type Summary struct {
	Position Position
	Tables   []TableStats
	Stray    int // data files that no committed state of now names: left by a failed commit
}

// String is one line for people.
func (s Summary) String() string {
	var parts []string
	for _, t := range s.Tables {
		parts = append(parts, fmt.Sprintf("%s: %d rows in %d files, %d bytes", t.Name, t.Rows, t.Files, t.Bytes))
	}
	if s.Stray > 0 {
		parts = append(parts, fmt.Sprintf("%d data files belong to no committed state", s.Stray))
	}
	return strings.Join(parts, "; ") + fmt.Sprintf("; committed up to %d of stream %q", s.Position.Seq, s.Position.Stream)
}

// Verify reads every committed file of a lake and compares it with what its manifest and the other tables
// say. It changes nothing and may run beside a service that writes: it judges the state that was
// committed when it began. The error is for what stops it; what it finds are problems.
func Verify(ctx context.Context, dir string) ([]Problem, Summary, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, Summary{}, fmt.Errorf("verify lake: %w", err)
	}
	v := &verifier{ctx: ctx, l: newLake(dir, slog.New(slog.DiscardHandler))}
	if err := v.run(); err != nil {
		return v.problems, v.sum, fmt.Errorf("verify lake %s: %w", dir, err)
	}
	return v.problems, v.sum, nil
}

type verifier struct {
	ctx      context.Context
	l        *Lake
	problems []Problem
	sum      Summary
	groups   [tableCount]map[string]int64 // rows of each group
}

func (v *verifier) tell(t *table, file, what string, args ...any) {
	v.problems = append(v.problems, Problem{t.name, file, fmt.Sprintf(what, args...)})
}

func (v *verifier) run() (err error) {
	l := v.l
	// The commit point first: what it names is in the other tables already.
	for i := tableCount - 1; i >= 0; i-- {
		t := l.newTable(i)
		l.tables[i] = t
		if err := t.open(); err != nil {
			return err
		}
		if t.version == 0 {
			return fmt.Errorf("there is no table %s: %w", t.name, os.ErrNotExist)
		}
	}
	point := l.tables[reports]
	if v.sum.Position, err = positionOf(point.tip.Properties); err != nil {
		return err
	}
	for i, t := range l.tables {
		id := t.tip.current()
		if i != reports {
			if id, err = namedBy(point, i); err != nil {
				return err
			}
			if !t.descends(id) {
				v.tell(t, "", "snapshot %d does not follow the committed snapshot %d", t.tip.current(), id)
			}
		}
		if err := v.table(i, t, id); err != nil {
			return err
		}
	}
	return v.across()
}

// descends says whether the current snapshot is id or comes after it.
func (t *table) descends(id int64) bool {
	for at := t.tip.current(); at != id; {
		s := t.tip.snapshot(at)
		if s == nil {
			return false
		}
		if s.ParentID == nil {
			return id == 0
		}
		at = *s.ParentID
	}
	return true
}

func (v *verifier) table(i int, t *table, id int64) error {
	v.groups[i] = map[string]int64{}
	h := &head{}
	known := map[string]bool{}
	if id != 0 {
		s := t.tip.snapshot(id)
		if s == nil {
			v.tell(t, "", "the committed snapshot %d is not in version %d", id, t.version)
			return nil
		}
		h.snapshot = id
		list, err := readList(t.actual(s.ManifestList))
		if err != nil {
			v.tell(t, "", "%v", err)
			return nil
		}
		for _, m := range list {
			entries, err := t.entries(m)
			if err != nil {
				v.tell(t, "", "%v", err)
				continue
			}
			for _, e := range entries {
				if err := v.ctx.Err(); err != nil {
					return err
				}
				f := t.dataFile(e.DataFile())
				if known[f.path] {
					v.tell(t, f.path, "is listed twice")
				}
				known[f.path] = true
				h.add(f)
				v.groups[i][f.group] += f.rows
				if err := v.file(t, f, e.DataFile()); err != nil {
					v.tell(t, f.path, "%v", err)
				}
			}
		}
		if want := s.Summary["total-records"]; want != itoa(h.rows) {
			v.tell(t, "", "the files hold %d rows, the snapshot's summary says %s", h.rows, want)
		}
	}
	v.sum.Tables = append(v.sum.Tables, TableStats{Name: t.name, Rows: h.rows, Files: len(h.files), Bytes: h.bytes, SnapshotID: id})
	names, err := os.ReadDir(t.dataDir())
	if err != nil {
		return err
	}
	for _, n := range names {
		if path := filepath.Join(t.dataDir(), n.Name()); filepath.Ext(path) == ".parquet" && !known[path] {
			v.sum.Stray++
		}
	}
	return nil
}

// file reads one data file whole and compares it with its manifest entry.
func (v *verifier) file(t *table, f dataFile, d iceberg.DataFile) (err error) {
	info, err := os.Stat(f.path)
	if err != nil {
		return err
	}
	if info.Size() != f.bytes {
		return fmt.Errorf("is %d bytes long, the manifest says %d", info.Size(), f.bytes)
	}
	c, err := t.cursor(f.path, v.l.mem, map[string]string{})
	if err != nil {
		return err
	}
	defer c.close()
	if n := c.file.NumRows(); n != f.rows {
		return fmt.Errorf("holds %d rows, the manifest says %d", n, f.rows)
	}
	m, err := t.measure(c.file)
	if err != nil {
		return err
	}
	if !maps.Equal(m.nulls, d.NullValueCounts()) || !maps.Equal(m.values, d.ValueCounts()) ||
		!maps.EqualFunc(m.lower, d.LowerBoundValues(), bytes.Equal) || !maps.EqualFunc(m.upper, d.UpperBoundValues(), bytes.Equal) {
		return errors.New("its statistics differ from the manifest's")
	}
	all := make([]int, len(t.columns))
	for i := range all {
		all[i] = i
	}
	for g := range c.file.NumRowGroups() {
		if err := c.load(v.ctx, g, all); err != nil {
			return err
		}
	}
	return nil
}

// across checks that the tables belong together: the rows that the reports of each group announce are
// there, and no others.
func (v *verifier) across() error {
	point := v.l.tables[reports]
	var want [tableCount]map[string]int64
	want[readings], want[codes] = map[string]int64{}, map[string]int64{}
	for _, group := range slices.Sorted(maps.Keys(v.groups[reports])) {
		path := filepath.Join(point.dataDir(), group+".parquet")
		c, err := point.cursor(path, v.l.mem, nil)
		if err != nil {
			continue // told already
		}
		for g := range c.file.NumRowGroups() {
			rows, _, err := c.reports(v.ctx, g, point.named("results", "codes"))
			if err != nil {
				break // told already
			}
			for _, r := range rows {
				want[readings][group] += int64(r.results)
				want[codes][group] += int64(r.codes)
			}
		}
		c.close()
	}
	for _, i := range []int{readings, codes} {
		for _, group := range slices.Sorted(maps.Keys(v.groups[i])) {
			if _, ok := v.groups[reports][group]; !ok {
				v.tell(v.l.tables[i], "", "group %s has %d rows and no reports", group, v.groups[i][group])
			}
		}
		for _, group := range slices.Sorted(maps.Keys(want[i])) {
			if has, n := v.groups[i][group], want[i][group]; has != n {
				v.tell(v.l.tables[i], "", "group %s has %d rows, its reports announce %d", group, has, n)
			}
		}
	}
	return v.ctx.Err()
}
