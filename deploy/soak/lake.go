package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// tables are the lake's tables.
var tables = []string{"reports", "readings", "codes", "drift"}

// A sum is how many files of a kind there are, and their bytes.
type sum struct{ files, bytes float64 }

func (s *sum) add(size int64) { s.files, s.bytes = s.files+1, s.bytes+float64(size) }

// A stock is what one table has on disk at a moment, and what of it is in use.
type stock struct {
	live                      sum     // data files of the committed state, as the service tells
	manifests                 sum     // of the committed state
	data, versions, lists, of sum     // data files, metadata.json, manifest lists and manifests on disk
	condemnedData, condemned  sum     // data and metadata files of condemned.json
	version                   int     // of the table: how often it was published
	snapshots                 int     // that the newest version keeps
	newest                    float64 // bytes of that version
}

func (s *stock) plus(o stock) {
	for to, of := range map[*sum]sum{&s.live: o.live, &s.manifests: o.manifests, &s.data: o.data, &s.versions: o.versions, &s.lists: o.lists,
		&s.of: o.of, &s.condemnedData: o.condemnedData, &s.condemned: o.condemned} {
		to.files, to.bytes = to.files+of.files, to.bytes+of.bytes
	}
	s.version, s.snapshots, s.newest = s.version+o.version, s.snapshots+o.snapshots, s.newest+o.newest
}

// metadata is all of the metadata folder.
func (s *stock) metadata() sum {
	return sum{s.versions.files + s.lists.files + s.of.files, s.versions.bytes + s.lists.bytes + s.of.bytes}
}

// stockOf looks at one table in a lake's folder. m is what /metrics shows.
func stockOf(lake, table string, condemned map[string]time.Time, m map[string]float64) (s stock, err error) {
	told := func(name string) float64 { return m["marginline_lake_"+name+`{table="`+table+`"}`] }
	s.live = sum{told("files"), told("bytes")}
	s.manifests = sum{told("manifests"), told("manifest_bytes")}
	err = filepath.WalkDir(filepath.Join(lake, table), func(path string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) { // swept meanwhile
			return nil
		}
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return nil
		}
		rel, err := filepath.Rel(lake, path)
		if err != nil {
			return err
		}
		_, dying := condemned[rel]
		if filepath.Base(filepath.Dir(path)) == "data" {
			s.data.add(info.Size())
			if dying {
				s.condemnedData.add(info.Size())
			}
			return nil
		}
		if dying {
			s.condemned.add(info.Size())
		}
		switch name := d.Name(); {
		case strings.HasSuffix(name, ".metadata.json"):
			s.versions.add(info.Size())
			n, err := strconv.Atoi(strings.TrimSuffix(strings.TrimPrefix(name, "v"), ".metadata.json"))
			if err != nil {
				return fmt.Errorf("%s is no version of a table", path)
			}
			if n > s.version {
				s.version, s.newest = n, float64(info.Size())
			}
		case strings.HasPrefix(name, "snap-"):
			s.lists.add(info.Size())
		case strings.HasSuffix(name, ".avro"):
			s.of.add(info.Size())
		}
		return nil
	})
	if err != nil {
		return s, err
	}
	b, err := os.ReadFile(filepath.Join(lake, table, "metadata", fmt.Sprintf("v%d.metadata.json", s.version)))
	if err != nil {
		return s, err
	}
	var kept struct {
		Snapshots []json.RawMessage `json:"snapshots"`
	}
	if err := json.Unmarshal(b, &kept); err != nil {
		return s, err
	}
	s.snapshots = len(kept.Snapshots)
	return s, nil
}

// stocks looks at every table.
func stocks(lake string, m map[string]float64) ([]stock, error) {
	condemned := map[string]time.Time{}
	switch b, err := os.ReadFile(filepath.Join(lake, "condemned.json")); {
	case err == nil:
		if err := json.Unmarshal(b, &condemned); err != nil {
			return nil, err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	var all []stock
	for _, t := range tables {
		s, err := stockOf(lake, t, condemned, m)
		if err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

// writeStocks writes one line a table and sample.
func writeStocks(path string, samples []sample) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := csv.NewWriter(f)
	w.Write([]string{"seconds", "table", "version", "snapshots", "newest_bytes", "live_files", "live_bytes", "live_manifests", "live_manifest_bytes",
		"data_files", "data_bytes", "condemned_data_files", "versions", "versions_bytes", "lists", "lists_bytes", "manifests", "manifests_bytes",
		"condemned_metadata_files", "small_groups"})
	for _, x := range samples {
		for i, s := range x.tables {
			row := []string{strconv.FormatFloat(x.after.Seconds(), 'f', 1, 64), tables[i]}
			for _, v := range []float64{float64(s.version), float64(s.snapshots), s.newest, s.live.files, s.live.bytes, s.manifests.files, s.manifests.bytes,
				s.data.files, s.data.bytes, s.condemnedData.files, s.versions.files, s.versions.bytes, s.lists.files, s.lists.bytes,
				s.of.files, s.of.bytes, s.condemned.files, x.small} {
				row = append(row, strconv.FormatFloat(v, 'f', -1, 64))
			}
			w.Write(row)
		}
	}
	w.Flush()
	return errors.Join(w.Error(), f.Close())
}
