package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// What lies in a lake's folder is counted by kind, and told from what is condemned.
func TestStock(t *testing.T) {
	lake := t.TempDir()
	for name, text := range map[string]string{
		"codes/data/a.parquet":               "12345",
		"codes/data/b.parquet":               "1234567",
		"codes/metadata/v9.metadata.json":    `{"snapshots":[{}]}`,
		"codes/metadata/v10.metadata.json":   `{"snapshots":[{},{},{}]}`,
		"codes/metadata/snap-77-1-a.avro":    "123",
		"codes/metadata/a-m0.avro":           "1234",
		"codes/metadata/b-m0.avro":           "1",
		"codes/metadata/version-hint.text":   "10",
		"readings/metadata/v1.metadata.json": `{"snapshots":[]}`,
		"reports/metadata/v1.metadata.json":  `{}`,
		"drift/metadata/v1.metadata.json":    `{}`,
		"condemned.json":                     `{"codes/data/a.parquet":"2026-01-01T00:00:00Z","codes/metadata/b-m0.avro":"2026-01-01T00:00:00Z","codes/data/gone.parquet":"2026-01-01T00:00:00Z"}`,
	} {
		path := filepath.Join(lake, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	all, err := stocks(lake, map[string]float64{`marginline_lake_files{table="codes"}`: 1, `marginline_lake_manifest_bytes{table="codes"}`: 4})
	if err != nil {
		t.Fatal(err)
	}
	want := stock{live: sum{1, 0}, manifests: sum{0, 4}, data: sum{2, 12}, versions: sum{2, 18 + 24}, lists: sum{1, 3}, of: sum{2, 5},
		condemnedData: sum{1, 5}, condemned: sum{1, 1}, version: 10, snapshots: 3, newest: 24}
	var whole stock
	for i, s := range all {
		if tables[i] == "codes" && s != want {
			t.Errorf("codes\n got %+v\nwant %+v", s, want)
		}
		whole.plus(s)
	}
	if whole.version != 13 || whole.versions.files != 5 || whole.data != want.data {
		t.Errorf("whole lake: %+v", whole)
	}
}

// Versions are counted over the last window, all of them until there is one.
func TestPublished(t *testing.T) {
	s := &service{window: time.Minute}
	for i, c := range []struct {
		after   time.Duration
		version int
		want    float64
	}{
		{10 * time.Second, 4, 4},
		{40 * time.Second, 10, 10},
		{70 * time.Second, 30, 26}, // since 10 s
		{95 * time.Second, 31, 27}, // still since 10 s: 40 s is within
		{101 * time.Second, 40, 30},
		{500 * time.Second, 40, 1}, // nothing for long
		{560 * time.Second, 40, 1},
	} {
		if got := s.published(c.after, c.version); got != c.want {
			t.Errorf("line %d: %g versions, want %g", i, got, c.want)
		}
	}
}

// A fourth table that begins to be committed to half way makes more files, and no file lives longer: not growth. A sweep that
// never deletes is.
func TestBusierIsNotGrowing(t *testing.T) {
	const life = 27 * 60
	for _, c := range []struct {
		name   string
		life   float64
		a, b   float64 // versions a second in the first and the second half
		grows  bool
		byDisk bool // whether all files on disk would be called growing
	}{
		{"steady", life, 1.5, 1.5, false, false},
		{"busier", life, 1.2, 1.7, false, true},
		{"never deleted", 1e9, 1.5, 1.5, true, true},
	} {
		rate := func(from, to float64) float64 { // versions published between
			return c.a*(min(to, 1800)-min(from, 1800)) + c.b*(max(to, 1800)-max(from, 1800))
		}
		var samples []sample
		s := &service{window: 30 * time.Minute}
		for at := 10.0; at <= 3600; at += 10 {
			var x sample
			x.after = time.Duration(at * float64(time.Second))
			x.lake.version = int(rate(0, at))
			x.recent = s.published(x.after, x.lake.version)
			n := rate(max(at-c.life, 0), at)
			x.lake.versions, x.lake.data = sum{3 * n, 9e3 * n}, sum{n, n}
			for _, q := range quantities {
				x.values = append(x.values, q.of(&x))
			}
			samples = append(samples, x)
		}
		for _, v := range judge(samples, time.Hour) {
			switch v.name {
			case "metadata files a version", "metadata a version", "data files not live, a version":
				if v.growing != c.grows {
					t.Errorf("%s: %s growing %v, want %v (rise %.2f low %.2f peaks %.2f allowed %.2f)", c.name, v.title(), v.growing, c.grows, v.rise, v.low, v.peaks, v.allowance)
				}
			case "all metadata files":
				if disk := v.rise > 0.1*v.median; disk != c.byDisk {
					t.Errorf("%s: all files rise by %.0f of %.0f", c.name, v.rise, v.median)
				}
			}
		}
	}
}
