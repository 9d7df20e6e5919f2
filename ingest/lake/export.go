package lake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"

	"github.com/apache/iceberg-go"
)

// ErrThere is wrapped by Export when the target is not empty.
var ErrThere = errors.New("there is something already")

// Export copies the committed state of the lake at dir into the folder to, which must be empty or not there,
// and verifies the copy before it gets its name. Paths in the copy say location, where it will live; "" is the
// folder to itself. The copy is a lake: it opens, grows, and can be exported again. A service may go on
// writing the original.
func Export(ctx context.Context, dir, to, location string) (Summary, error) {
	to, err := filepath.Abs(to)
	if err != nil {
		return Summary{}, fmt.Errorf("export lake: %w", err)
	}
	if location == "" {
		location = to
	}
	if !filepath.IsAbs(location) {
		return Summary{}, fmt.Errorf("export lake: the place it will live at must be an absolute path, %q is not", location)
	}
	sum, err := export(ctx, dir, to, filepath.Clean(location))
	if err != nil {
		return sum, fmt.Errorf("export lake %s to %s: %w", dir, to, err)
	}
	return sum, nil
}

func export(ctx context.Context, dir, to, location string) (sum Summary, err error) {
	if names, err := os.ReadDir(to); err == nil && len(names) > 0 {
		return sum, ErrThere
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return sum, err
	}
	v, err := openView(ctx, dir, "export")
	if err != nil {
		return sum, err
	}
	defer v.close()
	for _, p := range v.faults {
		err = errors.Join(err, errors.New(p.String()))
	}
	if err != nil {
		return sum, err
	}
	part := to + ".part"
	if err := os.RemoveAll(part); err != nil { // of an export that was cut short
		return sum, err
	}
	c := &copying{ctx: ctx, view: v, to: part, location: location}
	if err = c.run(); err == nil {
		var problems []Problem
		if problems, sum, err = Verify(ctx, part); err == nil && len(problems) > 0 {
			err = fmt.Errorf("the copy is not good, verify the original: %s (%d problems)", problems[0], len(problems))
		}
	}
	if err == nil {
		err = os.RemoveAll(pinDir(part))
	}
	if err == nil {
		if err = os.Remove(to); errors.Is(err, os.ErrNotExist) { // an empty folder makes room
			err = nil
		}
	}
	if err == nil {
		err = v.l.fs.do(opRename, part, to, func() error { return os.Rename(part, to) })
	}
	if err == nil {
		err = v.l.fs.syncDir(filepath.Dir(to))
	}
	if err != nil {
		return sum, errors.Join(err, os.RemoveAll(part))
	}
	return sum, nil
}

// A Held is one committed state of a lake, for a backup. Its files stay until Release.
type Held struct{ v *view }

// Hold pins the committed state of the lake at dir. A service may go on writing.
func Hold(ctx context.Context, dir string) (*Held, error) {
	v, err := openView(ctx, dir, "backup")
	if err != nil {
		return nil, fmt.Errorf("hold lake %s: %w", dir, err)
	}
	for _, p := range v.faults {
		err = errors.Join(err, errors.New(p.String()))
	}
	if err != nil {
		v.close()
		return nil, fmt.Errorf("hold lake %s: %w", dir, err)
	}
	return &Held{v}, nil
}

// Position is the committed position of the state.
func (h *Held) Position() Position { return h.v.set.pos }

// Release lets the state go. Call it once.
func (h *Held) Release() { h.v.close() }

// Copy writes the state into the folder to as Export does, but hands every data file to data, which need not
// copy what it has: a data file never changes once it has its name. Paths in the copy say location. Nothing is
// verified.
func (h *Held) Copy(ctx context.Context, to, location string, data func(src, dst string, size int64) error) error {
	if err := (&copying{ctx: ctx, view: h.v, to: to, location: location, data: data}).run(); err != nil {
		return fmt.Errorf("copy lake %s to %s: %w", h.v.l.dir, to, err)
	}
	return nil
}

type copying struct {
	*view
	ctx          context.Context
	to, location string
	data         func(src, dst string, size int64) error // nil: copy
}

// run copies the tables in the order in which they are published, the commit point last.
func (c *copying) run() error {
	for i, t := range c.l.tables {
		if err := c.table(t, c.set.heads[i]); err != nil {
			return fmt.Errorf("table %s: %w", t.name, err)
		}
	}
	return nil
}

func (c *copying) table(from *table, h *head) error {
	to := &table{spec: from.spec, dir: filepath.Join(c.to, from.name), log: from.log, mem: from.mem, step: from.step, fs: from.fs,
		location: filepath.Join(c.location, from.name)}
	for _, d := range []string{c.to, to.dir, to.dataDir(), to.metadataDir()} {
		if err := to.fs.makeDir(d); err != nil {
			return err
		}
	}
	m := *from.tip
	m.Location = to.location
	m.Properties = maps.Clone(m.Properties)
	m.Refs, m.Snapshots, m.SnapshotLog, m.MetadataLog = map[string]ref{}, []snapshot{}, []snapshotLogEntry{}, []metadataLogEntry{}
	m.CurrentSnapshotID = nil
	to.tip = &m
	if h.snapshot != 0 {
		s := *from.tip.snapshot(h.snapshot)
		s.ParentID = nil // its parent is not copied
		if err := c.files(from, to, h, &s); err != nil {
			return err
		}
		m.Snapshots = []snapshot{s}
		m.point(s.ID)
	}
	return to.publish(&m)
}

// files copies the data files of a state and writes its manifests anew, with the paths of their new place.
func (c *copying) files(from, to *table, h *head, s *snapshot) error {
	var list []iceberg.ManifestFile
	var entries []iceberg.ManifestEntry
	write := func() error {
		if len(entries) == 0 {
			return nil
		}
		m, err := to.writeManifest(fmt.Sprintf("%s-m%d.avro", newGroup(), len(list)), s.ID, entries)
		list, entries = append(list, m), nil
		return err
	}
	for _, m := range h.manifests {
		es, err := from.entries(m)
		if err != nil {
			return err
		}
		for _, e := range es {
			d := e.DataFile()
			src := from.actual(d.FilePath())
			dst := filepath.Join(to.dataDir(), filepath.Base(src))
			if err := c.file(src, dst, d.FileSizeBytes()); err != nil {
				return err
			}
			moved, err := moved(d, to.recorded(dst))
			if err != nil {
				return err
			}
			id, seq := e.SnapshotID(), e.SequenceNum()
			entries = append(entries, iceberg.NewManifestEntry(iceberg.EntryStatusEXISTING, &id, &seq, e.FileSequenceNum(), moved))
			if len(entries) == fullManifest {
				if err := write(); err != nil {
					return err
				}
			}
		}
	}
	if err := write(); err != nil {
		return err
	}
	path := filepath.Join(to.metadataDir(), fmt.Sprintf("snap-%d-1-%s.avro", s.ID, newGroup()))
	s.ManifestList = to.recorded(path)
	if _, err := to.writeList(path, s, list); err != nil {
		return err
	}
	return errors.Join(to.fs.syncDir(to.dataDir()), to.fs.syncDir(to.metadataDir()))
}

// file copies one file and syncs it.
func (c *copying) file(src, dst string, size int64) error {
	if err := c.ctx.Err(); err != nil {
		return err
	}
	if c.data != nil {
		return c.data(src, dst, size)
	}
	in, err := os.Open(src)
	if err != nil {
		return err
	}
	defer in.Close()
	n, err := c.l.fs.writeFile(dst, func(w io.Writer) error { _, err := io.Copy(w, in); return err })
	if err == nil && n != size {
		err = fmt.Errorf("%s is %d bytes long, the manifest says %d", src, n, size)
	}
	return err
}

// moved is a manifest's data file under another path.
func moved(d iceberg.DataFile, path string) (iceberg.DataFile, error) {
	b, err := iceberg.NewDataFileBuilder(*iceberg.UnpartitionedSpec, iceberg.EntryContentData, path, d.FileFormat(), nil, nil, nil, d.Count(), d.FileSizeBytes())
	if err != nil {
		return nil, err
	}
	b.ColumnSizes(d.ColumnSizes()).ValueCounts(d.ValueCounts()).NullValueCounts(d.NullValueCounts()).NaNValueCounts(d.NaNValueCounts()).
		LowerBoundValues(d.LowerBoundValues()).UpperBoundValues(d.UpperBoundValues()).SplitOffsets(d.SplitOffsets())
	if id := d.SortOrderID(); id != nil {
		b.SortOrderID(*id)
	}
	return b.Build(), nil
}
