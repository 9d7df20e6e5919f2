package lake

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// finds runs Verify and wants a problem that says so.
func finds(t *testing.T, dir, what string) {
	t.Helper()
	_, problems := verdict(t, dir)
	for _, p := range problems {
		if strings.Contains(p.String(), what) {
			return
		}
	}
	t.Errorf("verify finds %v, want %q", problems, what)
}

func TestVerifyFinds(t *testing.T) {
	t.Run("a report that is there twice", func(t *testing.T) {
		t.Parallel()
		l := open(t, t.TempDir())
		feed(l, batch(0, 6), 1)
		commit(t, l, 6)
		feed(l, batch(4, 6), 7)
		commit(t, l, 12)
		finds(t, l.dir, "is there twice")
	})
	t.Run("files that changed places", func(t *testing.T) {
		t.Parallel()
		l := open(t, t.TempDir())
		feed(l, []*series.Poll{poll(1, 1, 8)}, 1)
		commit(t, l, 1)
		feed(l, []*series.Poll{poll(1, 2, 8)}, 2)
		commit(t, l, 2)
		f := l.set.heads[readings].files
		if err := errors.Join(os.Rename(f[0].path, f[0].path+"x"), os.Rename(f[1].path, f[0].path), os.Rename(f[0].path+"x", f[1].path)); err != nil {
			t.Fatal(err)
		}
		_, problems := verdict(t, l.dir)
		if len(problems) == 0 {
			t.Error("nothing is found")
		}
	})
	t.Run("values that are not what the footer says", func(t *testing.T) {
		t.Parallel()
		// The same rows but for one value, in a file of the same footer: its pages are those of another file.
		l := open(t, t.TempDir())
		p, q := poll(1, 1, 8), poll(1, 1, 8)
		for i := range q.Results {
			q.Results[i].Value = math.Nextafter(p.Results[i].Value, 1e9)
		}
		feed(l, []*series.Poll{p}, 1)
		commit(t, l, 1)
		other := open(t, t.TempDir())
		feed(other, []*series.Poll{q}, 1)
		commit(t, other, 1)
		a, err := os.ReadFile(l.set.heads[readings].files[0].path)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(other.set.heads[readings].files[0].path)
		if err != nil {
			t.Fatal(err)
		}
		if len(a) != len(b) {
			t.Fatalf("the files are %d and %d bytes long: the test needs them alike", len(a), len(b))
		}
		footer := 8 + int(a[len(a)-8]) + int(a[len(a)-7])<<8 + int(a[len(a)-6])<<16
		mixed := append(append([]byte{}, b[:len(b)-footer]...), a[len(a)-footer:]...)
		if err := os.WriteFile(l.set.heads[readings].files[0].path, mixed, 0o640); err != nil {
			t.Fatal(err)
		}
		finds(t, l.dir, "column value: its values are not what its statistics say")
	})
	t.Run("a data file of no report", func(t *testing.T) {
		t.Parallel()
		l := open(t, t.TempDir())
		history(t, l, 3)
		l.set.heads[reports].files = l.set.heads[reports].files[:2]
		v := &verifier{view: &view{l: l, set: l.set}, ctx: t.Context(), bad: map[string]bool{}}
		if err := v.across(); err != nil || len(v.faults) == 0 || !strings.Contains(v.faults[0].What, "of no report") {
			t.Errorf("%v %v", v.faults, err)
		}
	})
	t.Run("a manifest that is gone", func(t *testing.T) {
		t.Parallel()
		l := open(t, t.TempDir())
		history(t, l, 3)
		found, err := filepath.Glob(filepath.Join(l.dir, "readings", "metadata", "*-m0.avro"))
		if err = errors.Join(err, os.Remove(found[0])); err != nil {
			t.Fatal(err)
		}
		finds(t, l.dir, "no such file")
		if _, err := Export(t.Context(), l.dir, filepath.Join(t.TempDir(), "copy"), ""); err == nil {
			t.Error("it is exported")
		}
	})
	t.Run("nothing where only late readings came", func(t *testing.T) {
		t.Parallel()
		l := open(t, t.TempDir())
		all, seq := history(t, l, 3)
		late := poll(2, -900, 4)
		late.ReadAt = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
		feed(l, []*series.Poll{late}, seq+1)
		commit(t, l, seq+1)
		compact(t, l, true)
		intact(t, l, append(all, late))
	})
}
