package lake

import (
	"slices"
	"sync"
	"time"
)

// A Table is one table of a pinned state.
type Table struct {
	Name        string
	SnapshotID  int64 // 0 while the table has no rows
	CommittedAt time.Time
	Files       []File
	Rows        int64
	Columns     []Column
}

// A File is one data file, and what its manifest says of its rows: what it can hold can be judged without
// opening it. VINs and devices are nil where the manifest does not bound them.
type File struct {
	Path          string // absolute
	Rows          int64
	VINs, Devices *Bounds
	WithoutVIN    bool      // rows without a VIN may be there
	From, To      time.Time // of read_at; zero where the manifest does not say
}

// Bounds are the least and the greatest value of a column. Where no row has one, Low is greater than High.
type Bounds struct{ Low, High string }

func (f *dataFile) file() File {
	out := File{Path: f.path, Rows: f.rows, WithoutVIN: f.withoutVIN != 0}
	switch {
	case f.vinLow != nil && f.vinHigh != nil:
		out.VINs = &Bounds{string(f.vinLow), string(f.vinHigh)}
	case f.withoutVIN == f.rows:
		out.VINs = &Bounds{"none", ""}
	}
	if f.deviceLow != nil && f.deviceHigh != nil {
		out.Devices = &Bounds{string(f.deviceLow), string(f.deviceHigh)}
	}
	if f.bounded {
		out.From, out.To = fromMicros(f.readFrom), fromMicros(f.readTo)
	}
	return out
}

// A Column is one column of a table.
type Column struct {
	FieldID int    // as in the Parquet files
	Name    string // current name
	Type    string // Iceberg's: string, int, long, double, boolean, timestamp
	Doc     string
}

// A Pinned is one consistent state of all tables. Its files stay until Release.
type Pinned struct {
	l    *Lake
	set  *set
	once sync.Once
}

// Pin holds the committed state.
func (l *Lake) Pin() (*Pinned, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, ErrClosed
	}
	l.refs[l.set]++
	return &Pinned{l: l, set: l.set}, nil
}

// Release lets the state go. More than one call does no harm.
func (p *Pinned) Release() {
	p.once.Do(func() {
		p.l.mu.Lock()
		defer p.l.mu.Unlock()
		if p.l.refs[p.set]--; p.l.refs[p.set] == 0 {
			delete(p.l.refs, p.set)
		}
	})
}

// Position is the committed position of the pinned state.
func (p *Pinned) Position() Position { return p.set.pos }

// Tables lists the tables by name.
func (p *Pinned) Tables() []Table {
	out := make([]Table, 0, tableCount)
	for i, h := range p.set.heads {
		s := &specs[i]
		t := Table{Name: s.name, SnapshotID: h.snapshot, CommittedAt: h.at, Rows: h.rows}
		for _, f := range h.files {
			t.Files = append(t.Files, f.file())
		}
		for j := range s.columns {
			c := &s.columns[j]
			t.Columns = append(t.Columns, Column{c.id, c.name, c.iceberg().String(), c.doc})
		}
		out = append(out, t)
	}
	slices.SortFunc(out, func(a, b Table) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	})
	return out
}

// TableStats is the size of one table in the committed state.
type TableStats struct {
	Name        string
	Rows        int64
	Files       int
	Bytes       int64
	SnapshotID  int64
	CommittedAt time.Time // zero while the table has no rows
}

// Stats tells the size of every table.
func (l *Lake) Stats() []TableStats {
	l.mu.Lock()
	s := l.set
	l.mu.Unlock()
	out := make([]TableStats, 0, tableCount)
	for i, h := range s.heads {
		out = append(out, TableStats{specs[i].name, h.rows, len(h.files), h.bytes, h.snapshot, h.at})
	}
	return out
}
