package lake

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"time"

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

// Verify reads every committed file of a lake and compares it with what its footer, its manifest and the
// other tables say; it also finds a report that is there twice. It changes nothing and may run beside a
// service that writes: it judges the state that was committed when it began, and pins it. The error is for
// what stops it; what it finds are problems.
func Verify(ctx context.Context, dir string) ([]Problem, Summary, error) {
	v, err := openView(ctx, dir, "verify")
	if err != nil {
		return nil, Summary{}, fmt.Errorf("verify lake %s: %w", dir, err)
	}
	defer v.close()
	c := &verifier{ctx: ctx, view: v, sum: Summary{Position: v.set.pos}}
	if err := c.run(); err != nil {
		return c.faults, c.sum, fmt.Errorf("verify lake %s: %w", dir, err)
	}
	return c.faults, c.sum, nil
}

type verifier struct {
	*view
	ctx context.Context
	sum Summary
	bad map[string]bool // groups of which a file is damaged
}

func (v *verifier) run() error {
	v.bad = map[string]bool{}
	for i, h := range v.set.heads {
		if err := v.table(i, h); err != nil {
			return err
		}
	}
	if err := v.across(); err != nil {
		return err
	}
	return v.drifts()
}

func (v *verifier) table(i int, h *head) error {
	t := v.l.tables[i]
	v.sum.Tables = append(v.sum.Tables, TableStats{Name: t.name, Rows: h.rows, Files: len(h.files), Bytes: h.bytes, SnapshotID: h.snapshot, CommittedAt: h.at})
	known := map[string]bool{}
	for _, m := range h.manifests {
		entries, err := t.entries(m)
		if err != nil { // told when the state was read
			continue
		}
		for _, e := range entries {
			if err := v.ctx.Err(); err != nil {
				return err
			}
			f := t.dataFile(e.DataFile())
			if known[f.path] {
				v.tell(i, f.path, "is listed twice")
				continue
			}
			known[f.path] = true
			if err := v.file(t, f, e.DataFile()); err != nil {
				v.tell(i, f.path, "%v", err)
				v.bad[f.group] = true
			}
		}
	}
	if s := t.tip.snapshot(h.snapshot); s != nil {
		if want := s.Summary["total-records"]; want != itoa(h.rows) {
			v.tell(i, "", "the files hold %d rows, the snapshot's summary says %s", h.rows, want)
		}
	}
	names, err := os.ReadDir(t.dataDir())
	if err != nil && t.version > 0 {
		return err
	}
	for _, n := range names {
		if path := filepath.Join(t.dataDir(), n.Name()); filepath.Ext(path) == ".parquet" && !known[path] {
			v.sum.Stray++
		}
	}
	return nil
}

// file reads one data file whole and compares it with its footer and its manifest entry.
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
		if err := c.whole(v.ctx, g, all); err != nil {
			return err
		}
		if err := c.agrees(); err != nil {
			return fmt.Errorf("row group %d: %w", g, err)
		}
	}
	return nil
}

// across checks that the tables belong together: every row that a report announces is there and belongs to
// it, no others are, and no report is there twice.
func (v *verifier) across() error {
	r := v.l.reader(v.ctx, v.set, newWanted(nil, nil, time.Time{}))
	var read [tableCount]map[string]int64 // rows that belong to a report
	for i := range read {
		read[i] = map[string]int64{}
	}
	seen := map[[16]byte]struct{}{}
	for _, f := range v.set.heads[reports].files {
		if v.bad[f.group] {
			continue // told already
		}
		_, err := r.group(f, func(w *row) bool {
			read[readings][f.group] += int64(len(w.p.Results))
			read[codes][f.group] += int64(len(w.p.Codes))
			sum := sha256.Sum256([]byte(w.p.ReportID))
			id := [16]byte(sum[:16])
			if _, twice := seen[id]; twice {
				v.tell(reports, f.path, "report %q is there twice", w.p.ReportID)
			}
			seen[id] = struct{}{}
			return true
		})
		if cerr := v.ctx.Err(); cerr != nil {
			return cerr
		}
		if err != nil {
			v.tell(reports, f.path, "its group: %v", err)
			v.bad[f.group] = true
		}
	}
	own := byGroup(v.set.heads[reports].files)
	for _, i := range []int{readings, codes} {
		for _, f := range v.set.heads[i].files {
			switch _, ok := own[f.group]; {
			case v.bad[f.group]:
			case !ok:
				v.tell(i, f.path, "holds %d rows of no report", f.rows)
			case read[i][f.group] != f.rows:
				v.tell(i, f.path, "holds %d rows, its reports announce %d", f.rows, read[i][f.group])
			}
		}
	}
	return nil
}
