package lake

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/apache/iceberg-go"
)

// Manifests are merged when a snapshot would list more than mergeAt of them. One that holds fullManifest
// files is left alone from then on, so that merging stays cheap.
const (
	mergeAt      = 100
	fullManifest = 1000
)

// A dataFile is one committed data file, with the bounds that Polls prunes by. Bounds are nil where the
// manifest has none.
type dataFile struct {
	path                  string // as it is on this disk
	rows, bytes           int64
	vinLow, vinHigh       []byte
	withoutVIN            int64 // rows; -1 where the manifest does not say
	rowGroups             int
	deviceLow, deviceHigh []byte
	readFrom, readTo      int64 // microseconds; valid where bounded
	bounded               bool
	group                 string
}

func (t *table) dataFile(d iceberg.DataFile) dataFile {
	vin, device, read := t.id("vin"), t.id("device"), t.id("read_at")
	low, high := d.LowerBoundValues(), d.UpperBoundValues()
	f := dataFile{
		path: t.actual(d.FilePath()), rows: d.Count(), bytes: d.FileSizeBytes(),
		vinLow: low[vin], vinHigh: high[vin], deviceLow: low[device], deviceHigh: high[device],
		group: groupOf(d.FilePath()), withoutVIN: -1, rowGroups: len(d.SplitOffsets()),
	}
	if n, ok := d.NullValueCounts()[vin]; ok {
		f.withoutVIN = n
	}
	if from, to := low[read], high[read]; len(from) == 8 && len(to) == 8 {
		f.readFrom, f.readTo, f.bounded = long(from), long(to), true
	}
	return f
}

// older says whether all rows are older than a time in microseconds.
func (f *dataFile) older(us int64) bool { return f.bounded && f.readTo < us }

// groupOf is what the files that hold the same reports have in common: their base name.
func groupOf(path string) string {
	base := filepath.Base(path)
	return base[:len(base)-len(filepath.Ext(base))]
}

// writeManifest writes one manifest of entries into the table's metadata directory.
func (t *table) writeManifest(name string, snapshot int64, entries []iceberg.ManifestEntry) (iceberg.ManifestFile, error) {
	path := filepath.Join(t.metadataDir(), name)
	var mf iceberg.ManifestFile
	_, err := t.fs.writeFile(path, func(w io.Writer) (err error) {
		mf, err = iceberg.WriteManifest(t.recorded(path), w, 2, *iceberg.UnpartitionedSpec, t.tip.schema(), snapshot, entries)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("manifest of table %s: %w", t.name, err)
	}
	return mf, nil
}

// entries reads the live entries of a manifest.
func (t *table) entries(m iceberg.ManifestFile) ([]iceberg.ManifestEntry, error) {
	path := t.actual(m.FilePath())
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("manifest of table %s: %w", t.name, err)
	}
	defer f.Close()
	list, err := iceberg.ReadManifest(m, f, true)
	if err != nil {
		return nil, fmt.Errorf("manifest %s: %w", path, err)
	}
	return list, nil
}

// merge gathers the small manifests of a snapshot into one, where there are too many.
func (t *table) merge(list []iceberg.ManifestFile, name string, snapshot int64) (merged []iceberg.ManifestFile, path string, err error) {
	if len(list) < mergeAt {
		return list, "", nil
	}
	var kept []iceberg.ManifestFile
	var entries []iceberg.ManifestEntry
	for _, m := range list {
		if m.AddedDataFiles()+m.ExistingDataFiles() >= fullManifest || m.SequenceNum() < 0 { // the new one
			kept = append(kept, m)
			continue
		}
		es, err := t.entries(m)
		if err != nil {
			return nil, "", err
		}
		for _, e := range es {
			id, seq := e.SnapshotID(), e.SequenceNum()
			entries = append(entries, iceberg.NewManifestEntry(iceberg.EntryStatusEXISTING, &id, &seq, e.FileSequenceNum(), e.DataFile()))
		}
	}
	if len(entries) == 0 {
		return list, "", nil
	}
	m, err := t.writeManifest(name, snapshot, entries)
	if err != nil {
		return nil, "", err
	}
	return append(kept, m), t.actual(m.FilePath()), nil
}

// writeList writes a snapshot's manifest list and reads it back: that is where the sequence numbers of
// the new manifests are assigned.
func (t *table) writeList(path string, s *snapshot, list []iceberg.ManifestFile) ([]iceberg.ManifestFile, error) {
	_, err := t.fs.writeFile(path, func(w io.Writer) error {
		return iceberg.WriteManifestList(2, w, s.ID, s.ParentID, &s.SequenceNumber, 0, list)
	})
	if err != nil {
		return nil, fmt.Errorf("manifest list of table %s: %w", t.name, err)
	}
	return readList(path)
}

func readList(path string) ([]iceberg.ManifestFile, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("manifest list: %w", err)
	}
	defer f.Close()
	list, err := iceberg.ReadManifestList(f)
	if err != nil {
		return nil, fmt.Errorf("manifest list %s: %w", path, err)
	}
	return list, nil
}
