package main

import (
	"archive/tar"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A data folder that a release of format 1 wrote (testdata/README.md says how) opens, holds what that release said
// it holds, takes reports, and is of this release's format afterwards.
func TestOlderDataIsBroughtUp(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	unpack(t, "testdata/format/format-1.tar.gz", data)
	want, err := os.ReadFile("testdata/format/format-1.csv")
	if err != nil {
		t.Fatal(err)
	}
	got := must(t, "sql", "--data", data, "-o", "csv", formatQuestion)
	same(t, "readings", string(want), got)
	if n := strings.Count(must(t, "quarantine", "list", "--data", data, "-o", "csv"), "\n"); n != 2 {
		t.Errorf("%d lines of the quarantine, want its head and one entry", n)
	}
	f, err := formatOf(data)
	if err != nil || f.Format != dataFormat {
		t.Errorf("%+v %v", f, err)
	}
	must(t, "import", "--data", data, write(t, "r.ndjson", oneLine(report1)))
	must(t, "lake", "verify", "--data", data)
	if n := one(t, data, "select count(*) from readings where report_id = 'r-1'"); n != 1 {
		t.Errorf("%v readings of a new report", n)
	}
}

const formatQuestion = "select unit, ecu, test, count(*) n, min(raw_value) low, max(raw_value) high, sum(raw_value) total from readings group by all order by all"

// A data folder of a newer format is refused, by every command, and nothing in it is changed.
func TestNewerDataIsRefused(t *testing.T) {
	data := t.TempDir()
	newer := fmt.Sprintf(`{"format":%d,"release":"9.1"}`, dataFormat+1)
	if err := os.WriteFile(filepath.Join(data, formatFile), []byte(newer), 0o600); err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf(`is of format %d, written by release "9.1"; this release (%s) knows formats up to %d`, dataFormat+1, version, dataFormat)
	for _, args := range [][]string{{"sql", "select 1"}, {"alerts", "list"}, {"serve", "--listen", "127.0.0.1:0"}, {"backup", "--to", t.TempDir()}} {
		if _, errs, code := try(t, append(args, "--data", data)...); code != exitFailed || !strings.Contains(errs, want) {
			t.Errorf("%v: exit %d: %s", args, code, errs)
		}
	}
	names, err := os.ReadDir(data)
	if err != nil || len(names) != 2 { // and the lock
		t.Errorf("%v %v", names, err)
	}
	if err := os.WriteFile(filepath.Join(data, formatFile), []byte("??"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs, code := try(t, "alerts", "list", "--data", data); code != exitFailed || !strings.Contains(errs, "does not say a format") {
		t.Errorf("exit %d: %s", code, errs)
	}
}

func unpack(t *testing.T, archive, dir string) {
	t.Helper()
	f, err := os.Open(archive)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, filepath.FromSlash(h.Name))
		if h.FileInfo().IsDir() {
			err = os.MkdirAll(path, 0o750)
		} else if err = os.MkdirAll(filepath.Dir(path), 0o750); err == nil {
			var text []byte
			if text, err = io.ReadAll(r); err == nil {
				err = os.WriteFile(path, text, 0o640)
			}
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
