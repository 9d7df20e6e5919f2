package lake

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/apache/iceberg-go"
)

// What the Apache Iceberg table specification, format version 2, requires
// (https://iceberg.apache.org/spec/, from memory of the document): the fields marked
// "required" for v2 in "Table Metadata Fields", "Snapshots", "Schemas", "Sorting" and "Partition Specs".
var (
	requiredTable = []string{"format-version", "table-uuid", "location", "last-sequence-number", "last-updated-ms", "last-column-id",
		"schemas", "current-schema-id", "partition-specs", "default-spec-id", "last-partition-id", "sort-orders", "default-sort-order-id"}
	requiredSnapshot  = []string{"snapshot-id", "sequence-number", "timestamp-ms", "manifest-list", "summary"}
	requiredField     = []string{"id", "name", "required", "type"}
	requiredSortField = []string{"transform", "source-id", "direction", "null-order"}
)

type object = map[string]any

func has(t *testing.T, what string, o object, keys []string) {
	t.Helper()
	for _, k := range keys {
		if v, ok := o[k]; !ok || v == nil {
			t.Errorf("%s: required field %q is absent", what, k)
		}
	}
}

func objects(v any) (out []object) {
	list, _ := v.([]any)
	for _, o := range list {
		out = append(out, o.(object))
	}
	return out
}

func TestMetadataHasWhatTheSpecificationRequires(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	feed(l, batch(0, 12), 1)
	commit(t, l, 12)
	fold(t, l, batch(0, 12))
	feed(l, batch(12, 6), 13)
	commit(t, l, 18)
	fold(t, l, batch(12, 6))
	for i, s := range specs {
		t.Run(s.name, func(t *testing.T) {
			base := filepath.Join(dir, s.name, "metadata")
			hint, err := os.ReadFile(filepath.Join(base, "version-hint.text"))
			if err != nil {
				t.Fatal(err)
			}
			want := "3"
			if i == reports { // every change of another table is a version of the commit point
				want = "5"
			}
			if string(hint) != want {
				t.Errorf("the hint says %q, want %s", hint, want)
			}
			b, err := os.ReadFile(filepath.Join(base, "v"+string(hint)+".metadata.json"))
			if err != nil {
				t.Fatal(err)
			}
			var m object
			d := json.NewDecoder(strings.NewReader(string(b)))
			d.UseNumber()
			if err := d.Decode(&m); err != nil {
				t.Fatal(err)
			}
			has(t, "table", m, requiredTable)
			if m["format-version"] != json.Number("2") || m["location"] != filepath.Join(dir, s.name) {
				t.Errorf("format version %v, location %v", m["format-version"], m["location"])
			}
			for _, schema := range objects(m["schemas"]) {
				has(t, "schema", schema, []string{"type", "schema-id", "fields"})
				if got := m["last-column-id"]; got != json.Number(strconv.Itoa(len(s.columns))) {
					t.Errorf("last column id %v, columns %d", got, len(s.columns))
				}
				for _, f := range objects(schema["fields"]) {
					has(t, "field", f, requiredField)
					if f["name"] == "read_at" && f["type"] != "timestamp" {
						t.Errorf("read_at is %v, want timestamp without zone", f["type"])
					}
				}
			}
			for _, o := range objects(m["sort-orders"]) {
				has(t, "sort order", o, []string{"order-id", "fields"})
				for _, f := range objects(o["fields"]) {
					has(t, "sort field", f, requiredSortField)
				}
			}
			for _, p := range objects(m["partition-specs"]) {
				has(t, "partition spec", p, []string{"spec-id", "fields"})
			}
			snapshots := objects(m["snapshots"])
			if len(snapshots) != 2 {
				t.Fatalf("%d snapshots, want 2", len(snapshots))
			}
			var rows, sequence int64
			for n, s := range snapshots {
				has(t, "snapshot", s, requiredSnapshot)
				sum := s["summary"].(object)
				has(t, "summary", sum, []string{"operation", "added-data-files", "added-records", "total-records", "total-data-files", keyStream, keySeq})
				if sum["operation"] != "append" || sum[keyStream] != stream || sum[keySeq] != []string{"12", "18"}[n] {
					t.Errorf("summary %v", sum)
				}
				rows += number(t, sum["added-records"].(string))
				if got := number(t, sum["total-records"].(string)); got != rows {
					t.Errorf("total-records %d, want %d", got, rows)
				}
				seq := number(t, s["sequence-number"].(json.Number).String())
				if seq <= sequence {
					t.Errorf("sequence number %d after %d", seq, sequence)
				}
				sequence = seq
			}
			if snapshots[1]["parent-snapshot-id"] != snapshots[0]["snapshot-id"] {
				t.Error("the second snapshot does not name the first as its parent")
			}
			if got := m["last-sequence-number"]; got != snapshots[1]["sequence-number"] {
				t.Errorf("last sequence number %v", got)
			}
			if m["current-snapshot-id"] != snapshots[1]["snapshot-id"] || m["refs"].(object)["main"].(object)["snapshot-id"] != snapshots[1]["snapshot-id"] {
				t.Error("the current snapshot and the main branch differ")
			}
			if got := m["properties"].(object)[keySeq]; got != "18" {
				t.Errorf("position in the table's properties: %v", got)
			}
			for _, e := range objects(m["metadata-log"]) {
				if _, err := os.Stat(e["metadata-file"].(string)); err != nil {
					t.Error(err)
				}
			}
			manifests(t, l.tables[i], snapshots[1]["manifest-list"].(string), rows)
		})
	}
}

// manifests checks "Manifests" and "Manifest Lists" of the specification through iceberg-go's readers.
func manifests(t *testing.T, tb *table, list string, rows int64) {
	t.Helper()
	files, err := readList(list)
	if err != nil {
		t.Fatal(err)
	}
	want := 2
	if tb.name == "drift" { // its commits gather the small manifests
		want = 1
	}
	if len(files) != want {
		t.Fatalf("%d manifests, want %d", len(files), want)
	}
	var got int64
	for _, m := range files {
		if info, err := os.Stat(m.FilePath()); err != nil || info.Size() != m.Length() {
			t.Errorf("manifest length %d: %v %v", m.Length(), info.Size(), err)
		}
		if m.SequenceNum() < 1 || m.ManifestContent() != iceberg.ManifestContentData || m.AddedDataFiles() != 1 {
			t.Errorf("manifest %v", m)
		}
		entries, err := tb.entries(m)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			d := e.DataFile()
			got += d.Count()
			if early := e.SequenceNum() < m.SequenceNum(); early && want != 1 || e.SequenceNum() > m.SequenceNum() || d.FileFormat() != iceberg.ParquetFile || *d.SortOrderID() != 1 || len(d.SplitOffsets()) != 1 || d.SplitOffsets()[0] != 4 {
				t.Errorf("entry %v", e)
			}
			for _, c := range tb.columns {
				if d.ValueCounts()[c.id] != d.Count() || c.required && d.NullValueCounts()[c.id] != 0 {
					t.Errorf("column %s: %d values, %d null, of %d rows", c.name, d.ValueCounts()[c.id], d.NullValueCounts()[c.id], d.Count())
				}
				low, high := d.LowerBoundValues()[c.id], d.UpperBoundValues()[c.id]
				if empty := d.NullValueCounts()[c.id] == d.Count(); empty != (low == nil) || empty != (high == nil) {
					t.Errorf("column %s: bounds %v to %v with %d nulls of %d", c.name, low, high, d.NullValueCounts()[c.id], d.Count())
				}
			}
		}
	}
	if got != rows {
		t.Errorf("%d rows in the manifests, %d in the summary", got, rows)
	}
}

func number(t *testing.T, s string) int64 {
	t.Helper()
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Bounds are in the specification's "Binary single-value serialization"; iceberg-go reads them back.
func TestBoundsAreThoseOfTheRows(t *testing.T) {
	l := open(t, t.TempDir())
	polls := batch(3, 40)
	polls[7].VIN = ""
	polls[8].Results[0].Raw.Value = -7
	polls[8].Results[0].Value, polls[8].Results[0].Margin = -7.5, 2
	polls[8].Results[1].Raw.Value = 70000
	polls[8].Results[0].Test = strings.Repeat("é", 50) // 100 bytes: sorts last, too long for a bound
	feed(l, polls, 1)
	commit(t, l, 40)
	tb := l.tables[readings]
	entries, err := tb.entries(l.set.heads[readings].manifests[0])
	if err != nil {
		t.Fatal(err)
	}
	d := entries[0].DataFile()
	var vins, nulls int64
	for _, p := range polls {
		if p.VIN == "" {
			nulls += int64(len(p.Results))
		}
		vins += int64(len(p.Results))
	}
	if vins != d.Count() || d.NullValueCounts()[3] != nulls || d.NullValueCounts()[9] != 0 || d.NullValueCounts()[18] != vins {
		t.Errorf("rows %d of %d, nulls %v", d.Count(), vins, d.NullValueCounts())
	}
	for name, want := range map[string][2]string{
		"vin":       {"9ZZTEST0000000000", "9ZZTEST0000000003"},
		"report_id": {"r-0000-00007", "r-0003-00038"},
		"raw_value": {"-7", "70000"},
		"value":     {"-7.5", ""},
		"margin":    {"", "2"},
		"read_at":   {fmt.Sprint(epoch.AddDate(0, 0, 1).UnixMicro() + 1e6), ""},
		"clock_ok":  {"true", "true"},
		"passed":    {"true", "true"},
		"coding":    {"0", "0"},
		"ord":       {"0", "7"},
	} {
		c := &tb.columns[tb.column(name)]
		for i, b := range [][]byte{d.LowerBoundValues()[c.id], d.UpperBoundValues()[c.id]} {
			if want[i] == "" {
				continue
			}
			lit, err := iceberg.LiteralFromBytes(c.iceberg(), b)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			got := fmt.Sprint(lit.Any())
			if got != want[i] {
				t.Errorf("%s: bound %d is %s, want %s", name, i, got, want[i])
			}
		}
	}
	test := tb.columns[tb.column("test")].id
	if high := d.UpperBoundValues()[test]; high != nil {
		t.Errorf("a bound of %d bytes is kept", len(high))
	}
}
