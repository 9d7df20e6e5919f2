package lake

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/apache/iceberg-go"
	"github.com/google/uuid"
)

// How much of the past a table's metadata keeps. Neither deletes data files.
const (
	keepSnapshots = 50
	keepMetadata  = 100
)

// metadata is one version of a table: the JSON of the Apache Iceberg table specification, format
// version 2, "Table Metadata Fields" (https://iceberg.apache.org/spec/#table-metadata-fields). A value is
// never changed once it is published; next makes the following version.
type metadata struct {
	FormatVersion      int                `json:"format-version"`
	TableUUID          uuid.UUID          `json:"table-uuid"`
	Location           string             `json:"location"`
	LastSequenceNumber int64              `json:"last-sequence-number"`
	LastUpdatedMs      int64              `json:"last-updated-ms"`
	LastColumnID       int                `json:"last-column-id"`
	CurrentSchemaID    int                `json:"current-schema-id"`
	Schemas            []*iceberg.Schema  `json:"schemas"`
	DefaultSpecID      int                `json:"default-spec-id"`
	PartitionSpecs     []partitionSpec    `json:"partition-specs"`
	LastPartitionID    int                `json:"last-partition-id"`
	DefaultSortOrderID int                `json:"default-sort-order-id"`
	SortOrders         []sortOrder        `json:"sort-orders"`
	Properties         map[string]string  `json:"properties"`
	CurrentSnapshotID  *int64             `json:"current-snapshot-id,omitempty"`
	Refs               map[string]ref     `json:"refs"`
	Snapshots          []snapshot         `json:"snapshots"`
	SnapshotLog        []snapshotLogEntry `json:"snapshot-log"`
	MetadataLog        []metadataLogEntry `json:"metadata-log"`
}

type partitionSpec struct {
	ID     int               `json:"spec-id"`
	Fields []json.RawMessage `json:"fields"`
}

type sortOrder struct {
	ID     int         `json:"order-id"`
	Fields []sortField `json:"fields"`
}

type sortField struct {
	Transform string `json:"transform"`
	SourceID  int    `json:"source-id"`
	Direction string `json:"direction"`
	NullOrder string `json:"null-order"`
}

type ref struct {
	SnapshotID int64  `json:"snapshot-id"`
	Type       string `json:"type"`
}

type snapshot struct {
	ID             int64             `json:"snapshot-id"`
	ParentID       *int64            `json:"parent-snapshot-id,omitempty"`
	SequenceNumber int64             `json:"sequence-number"`
	TimestampMs    int64             `json:"timestamp-ms"`
	ManifestList   string            `json:"manifest-list"`
	Summary        map[string]string `json:"summary"`
	SchemaID       int               `json:"schema-id"`
}

type snapshotLogEntry struct {
	TimestampMs int64 `json:"timestamp-ms"`
	SnapshotID  int64 `json:"snapshot-id"`
}

type metadataLogEntry struct {
	TimestampMs  int64  `json:"timestamp-ms"`
	MetadataFile string `json:"metadata-file"`
}

// newMetadata is a table without rows.
func newMetadata(s *spec, location string, nowMs int64) *metadata {
	order := sortOrder{ID: 1}
	for _, name := range s.order {
		order.Fields = append(order.Fields, sortField{"identity", s.columns[s.column(name)].id, "asc", "nulls-first"})
	}
	schema := s.schema()
	return &metadata{
		FormatVersion: 2, TableUUID: uuid.New(), Location: location, LastUpdatedMs: nowMs,
		LastColumnID: schema.HighestFieldID(), Schemas: []*iceberg.Schema{schema},
		PartitionSpecs: []partitionSpec{{Fields: []json.RawMessage{}}}, LastPartitionID: 999,
		DefaultSortOrderID: 1, SortOrders: []sortOrder{order},
		Properties: map[string]string{"write.parquet.compression-codec": codecName, "write.metadata.previous-versions-max": strconv.Itoa(keepMetadata)},
		Refs:       map[string]ref{}, Snapshots: []snapshot{}, SnapshotLog: []snapshotLogEntry{}, MetadataLog: []metadataLogEntry{},
	}
}

// newSnapshotID is a positive random number, unique within a table for all practical purposes.
func newSnapshotID() int64 {
	var b [8]byte
	rand.Read(b[:])
	return int64(binary.BigEndian.Uint64(b[:])>>1) | 1
}

// next is the version that follows m, which lies at file. Its time never runs backwards.
func (m *metadata) next(file string, nowMs int64) *metadata {
	n := *m
	n.LastUpdatedMs = max(nowMs, m.LastUpdatedMs)
	n.Properties = maps.Clone(m.Properties)
	n.Refs = maps.Clone(m.Refs)
	n.Snapshots = slices.Clone(m.Snapshots)
	n.SnapshotLog = slices.Clone(m.SnapshotLog)
	n.MetadataLog = append(slices.Clone(m.MetadataLog), metadataLogEntry{m.LastUpdatedMs, file})
	if over := len(n.MetadataLog) - keepMetadata; over > 0 {
		n.MetadataLog = slices.Delete(n.MetadataLog, 0, over)
	}
	return &n
}

// add makes s the current snapshot and forgets snapshots beyond keepSnapshots, but not keep, which is the
// snapshot that is still the committed one.
func (m *metadata) add(s snapshot, keep int64) {
	m.Snapshots = append(m.Snapshots, s)
	m.LastSequenceNumber = s.SequenceNumber
	m.point(s.ID)
	over := len(m.Snapshots) - keepSnapshots
	m.forget(func(old *snapshot) bool { over--; return over >= 0 && old.ID != keep })
}

// forget drops snapshots, oldest first, but never the current one.
func (m *metadata) forget(drop func(*snapshot) bool) (dropped int) {
	before := len(m.Snapshots)
	m.Snapshots = slices.DeleteFunc(m.Snapshots, func(s snapshot) bool { return s.ID != m.current() && drop(&s) })
	// The log may name only snapshots that are there, without gaps from its first entry on.
	from := 0
	for i, e := range m.SnapshotLog {
		if m.snapshot(e.SnapshotID) == nil {
			from = i + 1
		}
	}
	m.SnapshotLog = slices.Delete(m.SnapshotLog, 0, from)
	return before - len(m.Snapshots)
}

// kept is the time in microseconds before which rows may have been removed by age.
func (m *metadata) kept() int64 {
	us, _ := strconv.ParseInt(m.Properties[keyKept], 10, 64)
	return us
}

func (m *metadata) keep(us int64) {
	if us != 0 {
		m.Properties[keyKept] = itoa(us)
	}
}

// point moves the main branch to a snapshot; 0 is the table without any.
func (m *metadata) point(id int64) {
	if id == 0 {
		m.CurrentSnapshotID = nil
		delete(m.Refs, "main")
		return
	}
	m.CurrentSnapshotID = &id
	m.Refs["main"] = ref{id, "branch"}
	m.SnapshotLog = append(m.SnapshotLog, snapshotLogEntry{m.LastUpdatedMs, id})
}

func (m *metadata) snapshot(id int64) *snapshot {
	for i := len(m.Snapshots) - 1; i >= 0; i-- {
		if m.Snapshots[i].ID == id {
			return &m.Snapshots[i]
		}
	}
	return nil
}

// current is the id of the current snapshot, 0 when there is none.
func (m *metadata) current() int64 {
	if m.CurrentSnapshotID == nil || *m.CurrentSnapshotID < 0 { // some writers say -1 for none
		return 0
	}
	return *m.CurrentSnapshotID
}

func (m *metadata) write(w io.Writer) error {
	return json.NewEncoder(w).Encode(m)
}

// readMetadata reads one version and refuses what this release does not understand.
func readMetadata(path string, s *spec) (*metadata, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var version struct {
		V *int `json:"format-version"`
	}
	if err := json.Unmarshal(b, &version); err != nil {
		return nil, fmt.Errorf("table metadata %s cannot be read (%w); the version before it lies beside it, restore from a backup or move this one away", path, err)
	}
	if version.V == nil || *version.V != 2 {
		return nil, fmt.Errorf("table metadata %s has Iceberg format version %s; this release reads version 2 only, so it leaves the table alone", path, show(version.V))
	}
	m := &metadata{}
	if err := json.Unmarshal(b, m); err != nil {
		return nil, fmt.Errorf("table metadata %s: %w", path, err)
	}
	schema := m.schema()
	if schema == nil {
		return nil, fmt.Errorf("table metadata %s names schema %d, which it does not hold", path, m.CurrentSchemaID)
	}
	if m.Properties == nil {
		m.Properties = map[string]string{}
	}
	if m.Refs == nil {
		m.Refs = map[string]ref{}
	}
	ours := s.schema()
	for _, f := range schema.Fields() {
		mine, ok := ours.FindFieldByID(f.ID)
		switch {
		case !ok:
			return nil, fmt.Errorf("table metadata %s has column %q (field id %d), which this release does not know: it was written by a newer one", path, f.Name, f.ID)
		case !mine.Type.Equals(f.Type) || mine.Name != f.Name:
			return nil, fmt.Errorf("table metadata %s: field id %d is %s %s, expected %s %s", path, f.ID, f.Name, f.Type, mine.Name, mine.Type)
		}
	}
	return m, nil
}

func (m *metadata) schema() *iceberg.Schema {
	for _, s := range m.Schemas {
		if s.ID == m.CurrentSchemaID {
			return s
		}
	}
	return nil
}

func show(v *int) string {
	if v == nil {
		return "none"
	}
	return strconv.Itoa(*v)
}

// hintName is the file that says which version of a table is the newest.
const hintName = "version-hint.text"

func versionFile(dir string, v int) string {
	return filepath.Join(dir, fmt.Sprintf("v%d.metadata.json", v))
}

// latest finds the newest version in a metadata directory, 0 when there is none: from the hint upwards,
// or, where the hint is missing or wrong, from the directory itself.
func latest(dir string) (int, error) {
	v := 0
	if b, err := os.ReadFile(filepath.Join(dir, hintName)); err == nil {
		v, _ = strconv.Atoi(strings.TrimSpace(string(b)))
	}
	if v <= 0 || !exists(versionFile(dir, v)) {
		v = 0
		names, err := os.ReadDir(dir)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return 0, err
		}
		for _, n := range names {
			digits, ok := strings.CutSuffix(n.Name(), ".metadata.json")
			if i, err := strconv.Atoi(strings.TrimPrefix(digits, "v")); ok && err == nil {
				v = max(v, i)
			}
		}
		return v, nil
	}
	for exists(versionFile(dir, v+1)) {
		v++
	}
	return v, nil
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}
