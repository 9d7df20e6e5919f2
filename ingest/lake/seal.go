package lake

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/apache/iceberg-go"
)

// A target is a group that a compaction writes: one file in each table that gets a row, written as the rows
// come, so that no more than a row group of each is in memory.
type target struct {
	l     *Lake
	group string
	old   bool  // the year is over
	all   int64 // rows of the merge
	rows  int64
	vin   string // of the newest report
	parts [tableCount]*sealing
	laid  [tableCount][]row
}

type sealing struct {
	t   *table
	f   *draft
	enc *encoder
}

// A sealed group is a target that is written and synced, not yet committed.
type sealed struct {
	group string
	files [tableCount]iceberg.DataFile // nil where the table has no row
	paths [tableCount]string
}

func (l *Lake) target(old bool, all int64) *target {
	return &target{l: l, group: newGroup(), old: old, all: all}
}

// fullBefore says whether the group should end before a report of that vehicle.
func (g *target) fullBefore(vin string) bool { return g.rows >= g.l.full && g.vin != vin }

// add takes one report with all that hangs on it, in the order of reports.
func (g *target) add(w *row) error {
	rowsFor([]entry{{w.p, w.seq}}, &g.laid)
	for i, rows := range g.laid {
		if len(rows) == 0 {
			continue
		}
		p, err := g.part(i)
		if err != nil {
			return err
		}
		if err := p.enc.add(rows...); err != nil {
			return fmt.Errorf("data file of table %s: %w", p.t.name, err)
		}
		g.rows += int64(len(rows))
	}
	g.vin = w.p.VIN
	return nil
}

func (g *target) part(i int) (*sealing, error) {
	if p := g.parts[i]; p != nil {
		return p, nil
	}
	t := g.l.tables[i]
	f, err := t.fs.newFile(filepath.Join(t.dataDir(), g.group+".parquet"))
	if err != nil {
		return nil, fmt.Errorf("data file of table %s: %w", t.name, err)
	}
	enc, err := t.encoder(f, g.l.mem, t.seal(g.old, g.all >= g.l.big))
	if err != nil {
		f.discard()
		return nil, fmt.Errorf("data file of table %s: %w", t.name, err)
	}
	g.parts[i] = &sealing{t, f, enc}
	return g.parts[i], nil
}

// close writes the ends of the files and syncs them.
func (g *target) close() (s *sealed, err error) {
	s = &sealed{group: g.group}
	for i, p := range g.parts {
		if p == nil {
			continue
		}
		g.parts[i] = nil
		if err := p.enc.close(); err != nil {
			p.f.discard()
			return s, fmt.Errorf("data file of table %s: %w", p.t.name, err)
		}
		size, err := p.f.finish()
		if err != nil {
			return s, fmt.Errorf("data file of table %s: %w", p.t.name, err)
		}
		s.paths[i] = p.f.path
		if err := errors.Join(p.t.fs.syncDir(p.t.dataDir()), p.t.did("sealed")); err != nil {
			return s, err
		}
		if s.files[i], err = p.t.measured(p.f.path, size); err != nil {
			return s, err
		}
	}
	return s, nil
}

// abandon removes what was written.
func (g *target) abandon() {
	for _, p := range g.parts {
		if p != nil {
			p.f.discard()
		}
	}
}

func (s *sealed) remove(fs files) {
	for _, p := range s.paths {
		if p != "" {
			fs.remove(p)
		}
	}
}
