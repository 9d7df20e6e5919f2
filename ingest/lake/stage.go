package lake

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"github.com/apache/iceberg-go"
	"github.com/google/uuid"
)

// A stage is one table's part of a commit: files written and synced, not yet published.
type stage struct {
	snapshot snapshot
	head     *head
	files    []string // all that was written
}

// newGroup names the files of one change. Names rise with time.
func newGroup() string { return uuid.Must(uuid.NewV7()).String() }

// stage writes the data file, the manifest and the manifest list of new rows. On error the files named in
// the stage may be there and belong to nothing.
func (t *table) stage(rows []row, group string, props map[string]string, now time.Time) (st *stage, err error) {
	st = &stage{}
	data := filepath.Join(t.dataDir(), group+".parquet")
	size, err := t.fs.writeFile(data, func(w io.Writer) error { return t.writeParquet(w, t.mem, rows) })
	if err != nil {
		return st, fmt.Errorf("data file of table %s: %w", t.name, err)
	}
	st.files = append(st.files, data)
	if err := errors.Join(t.fs.syncDir(t.dataDir()), t.did("data")); err != nil {
		return st, err
	}
	df, err := t.measured(data, size)
	if err != nil {
		return st, err
	}
	st.snapshot = t.begin(now)
	id := st.snapshot.ID
	manifest, err := t.writeManifest(group+"-m0.avro", id, []iceberg.ManifestEntry{
		iceberg.NewManifestEntry(iceberg.EntryStatusADDED, &id, nil, nil, df)})
	if err != nil {
		return st, err
	}
	st.files = append(st.files, t.actual(manifest.FilePath()))
	if err := t.did("manifest"); err != nil {
		return st, err
	}
	list := append([]iceberg.ManifestFile{manifest}, t.head.manifests...)
	list, merged, err := t.merge(list, group+"-m1.avro", id)
	if err != nil {
		return st, err
	}
	if merged != "" {
		st.files = append(st.files, merged)
	}
	files := append(slices.Clip(t.head.files), t.dataFile(df))
	return st, t.finish(st, group, list, files, t.head.kept, props, map[string]string{
		"operation":        "append",
		"added-data-files": "1", "added-records": itoa(df.Count()), "added-files-size": itoa(size),
	})
}

// measured makes the manifest's data file of a file that was written.
func (t *table) measured(path string, size int64) (iceberg.DataFile, error) {
	f, err := openParquet(path)
	if err != nil {
		return nil, err
	}
	m, err := t.measure(f)
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("data file %s: %w", path, err)
	}
	return m.dataFile(t.recorded(path), size)
}

// begin is a snapshot that follows the committed one.
func (t *table) begin(now time.Time) snapshot {
	s := snapshot{ID: newSnapshotID(), SequenceNumber: t.tip.LastSequenceNumber + 1,
		TimestampMs: max(now.UnixMilli(), t.tip.LastUpdatedMs), SchemaID: t.tip.CurrentSchemaID}
	if t.head.snapshot != 0 {
		parent := t.head.snapshot
		s.ParentID = &parent
	}
	return s
}

// finish writes the manifest list and makes the head that holds once the stage is published: these
// manifests, with these live files.
func (t *table) finish(st *stage, group string, list []iceberg.ManifestFile, files []dataFile, kept int64, props, summary map[string]string) error {
	s := &st.snapshot
	path := filepath.Join(t.metadataDir(), fmt.Sprintf("snap-%d-1-%s.avro", s.ID, group))
	s.ManifestList = t.recorded(path)
	list, err := t.writeList(path, s, list)
	if err != nil {
		return err
	}
	st.files = append(st.files, path)
	if err := errors.Join(t.fs.syncDir(t.metadataDir()), t.did("list")); err != nil {
		return err
	}
	st.head = &head{snapshot: s.ID, at: time.UnixMilli(s.TimestampMs).UTC(), manifests: list, kept: kept}
	for _, f := range files {
		st.head.add(f)
	}
	s.Summary = summary
	maps.Copy(s.Summary, map[string]string{
		"total-data-files": itoa(int64(len(files))), "total-records": itoa(st.head.rows), "total-files-size": itoa(st.head.bytes),
		"total-delete-files": "0", "total-position-deletes": "0", "total-equality-deletes": "0",
	})
	maps.Copy(s.Summary, props)
	return nil
}
