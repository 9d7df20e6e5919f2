package lake

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/apache/iceberg-go"
)

// errLater says that a commit is not settled; upkeep waits for its retry.
var errLater = errors.New("a commit is being repeated; upkeep comes later")

// replace commits the removal of groups, table by table, and the sealed groups that stand for them. kept is
// the new age limit of a table, 0 for the old one. held is how long commits had to wait. Files of sealed
// groups that are certain to belong to nothing are removed on error; the others are found by Sweep.
func (l *Lake) replace(ctx context.Context, operation string, old [tableCount]map[string]bool, into []*sealed, kept [tableCount]int64) (held time.Duration, err error) {
	l.writing.Lock()
	start := time.Now()
	defer func() { held = time.Since(start); l.writing.Unlock() }()
	fail := func(err error) (time.Duration, error) {
		for _, s := range into {
			s.remove(l.fs)
		}
		return 0, err
	}
	if err := l.usable(); err != nil {
		return fail(err)
	}
	if l.pending != nil {
		return fail(errLater)
	}
	now := l.now()
	name := newGroup()
	return 0, l.change(ctx, l.set.pos, now, &attempt{upkeep: true, start: start}, func(i int, props map[string]string) (*stage, error) {
		return l.tables[i].restage(operation, old[i], added(i, into), max(kept[i], l.tables[i].head.kept), name, props, now)
	})
}

type addedFile struct {
	path string
	file iceberg.DataFile
}

func added(i int, into []*sealed) (out []addedFile) {
	for _, s := range into {
		if s.files[i] != nil {
			out = append(out, addedFile{s.paths[i], s.files[i]})
		}
	}
	return out
}

// restage writes the manifest and the manifest list of a state without the old groups and with the new
// files: one manifest that holds what was added, what was removed, and what stays of the manifests that are
// touched or small. It is nil when the table has neither.
func (t *table) restage(operation string, old map[string]bool, into []addedFile, kept int64, group string, props map[string]string, now time.Time) (*stage, error) {
	st := &stage{snapshot: t.begin(now)}
	for _, a := range into {
		st.files = append(st.files, a.path)
	}
	id := st.snapshot.ID
	var entries []iceberg.ManifestEntry
	var list []iceberg.ManifestFile
	var files []dataFile
	var removed, removedRows, removedBytes, addedRows, addedBytes int64
	for _, m := range t.head.manifests {
		es, err := t.entries(m)
		if err != nil {
			return st, err
		}
		touched := false
		var stay []iceberg.ManifestEntry
		for _, e := range es {
			d := e.DataFile()
			own, seq := e.SnapshotID(), e.SequenceNum()
			if !old[groupOf(d.FilePath())] {
				files = append(files, t.dataFile(d))
				stay = append(stay, iceberg.NewManifestEntry(iceberg.EntryStatusEXISTING, &own, &seq, e.FileSequenceNum(), d))
				continue
			}
			touched = true
			removed, removedRows, removedBytes = removed+1, removedRows+d.Count(), removedBytes+d.FileSizeBytes()
			entries = append(entries, iceberg.NewManifestEntry(iceberg.EntryStatusDELETED, &id, &seq, e.FileSequenceNum(), d))
		}
		if !touched && len(es) >= fullManifest {
			list = append(list, m)
			continue
		}
		entries = append(entries, stay...)
	}
	if len(into) == 0 && removed == 0 {
		return nil, nil
	}
	for _, a := range into {
		entries = append(entries, iceberg.NewManifestEntry(iceberg.EntryStatusADDED, &id, nil, nil, a.file))
		files = append(files, t.dataFile(a.file))
		addedRows, addedBytes = addedRows+a.file.Count(), addedBytes+a.file.FileSizeBytes()
	}
	if operation == "replace" && addedRows != removedRows {
		return st, fmt.Errorf("table %s: the files to replace hold %d rows, those to replace them %d", t.name, removedRows, addedRows)
	}
	manifest, err := t.writeManifest(group+"-m0.avro", id, entries)
	if err != nil {
		return st, err
	}
	st.files = append(st.files, t.actual(manifest.FilePath()))
	if err := t.did("manifest"); err != nil {
		return st, err
	}
	return st, t.finish(st, group, append([]iceberg.ManifestFile{manifest}, list...), files, kept, props, map[string]string{
		"operation":        operation,
		"added-data-files": itoa(int64(len(into))), "added-records": itoa(addedRows), "added-files-size": itoa(addedBytes),
		"deleted-data-files": itoa(removed), "deleted-records": itoa(removedRows), "removed-files-size": itoa(removedBytes),
	})
}
