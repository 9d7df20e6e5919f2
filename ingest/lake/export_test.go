package lake

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A copy is a lake of its own: it holds the same, its paths are those of its place, it grows.
func TestExportAndRestore(t *testing.T) {
	t.Parallel()
	base := t.TempDir()
	l := open(t, filepath.Join(base, "lake"))
	all, seq := history(t, l, 40)
	compact(t, l, false)
	feed(l, batch(5000, 3), seq+1)
	commit(t, l, seq+3)
	all = append(all, batch(5000, 3)...)
	fold(t, l, all)
	copied, home := filepath.Join(base, "copy"), filepath.Join(base, "elsewhere", "home")
	sum, err := Export(t.Context(), l.dir, copied, home)
	if err != nil {
		t.Fatal(err)
	}
	if sum.Position != l.Position() || sum.Stray != 0 || sum.Tables[readings].Rows != l.Stats()[readings].Rows {
		t.Errorf("%v", sum)
	}
	// Nothing in it says where it came from; every recorded path is under its home.
	files, err := filepath.Glob(filepath.Join(copied, "*", "metadata", "*"))
	if err != nil || len(files) < 9 {
		t.Fatalf("%q %v", files, err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), l.dir) {
			t.Errorf("%s names the original", f)
		}
	}
	if err := errors.Join(os.MkdirAll(filepath.Dir(home), 0o750), os.Rename(copied, home)); err != nil {
		t.Fatal(err)
	}
	verified(t, home)
	c := open(t, home)
	for i, tb := range c.tables {
		if tb.tip.Location != filepath.Join(home, tb.name) || len(tb.tip.Snapshots) != 1 || tb.tip.current() != l.tables[i].head.snapshot || tb.version != 1 {
			t.Errorf("table %s: location %s, %d snapshots, version %d", tb.name, tb.tip.Location, len(tb.tip.Snapshots), tb.version)
		}
		for _, f := range c.set.heads[i].files {
			if filepath.Dir(f.path) != tb.dataDir() {
				t.Errorf("file %s", f.path)
			}
		}
	}
	if c.Position() != l.Position() {
		t.Errorf("position %v, want %v", c.Position(), l.Position())
	}
	intact(t, c, all)
	feed(c, batch(6000, 3), seq+4)
	commit(t, c, seq+6)
	compact(t, c, true)
	all = append(all, batch(6000, 3)...)
	intact(t, c, all)

	restored := filepath.Join(base, "restored", "lake")
	if err := os.MkdirAll(restored, 0o750); err != nil { // an empty folder is no hindrance
		t.Fatal(err)
	}
	if _, err := Export(t.Context(), home, restored, ""); err != nil {
		t.Fatal(err)
	}
	intact(t, open(t, restored), all)
	if pins := append(pinFiles(t, l.dir), append(pinFiles(t, home), pinFiles(t, restored)...)...); len(pins) > 0 {
		t.Errorf("pins stay: %q", pins)
	}
}

func TestExportRefuses(t *testing.T) {
	t.Parallel()
	base := t.TempDir()
	l := open(t, filepath.Join(base, "lake"))
	all, _ := history(t, l, 2)
	if _, err := Export(t.Context(), l.dir, l.dir, ""); !errors.Is(err, ErrThere) {
		t.Errorf("onto itself: %v", err)
	}
	if _, err := Export(t.Context(), filepath.Join(base, "none"), filepath.Join(base, "a"), ""); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("of nothing: %v", err)
	}
	if _, err := Export(t.Context(), l.dir, filepath.Join(base, "a"), "relative"); err == nil {
		t.Error("a home that is not absolute is taken")
	}
	path := l.set.heads[codes].files[0].path
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for what, harm := range map[string][]byte{"short": b[:len(b)-9], "scrambled": append(append([]byte{}, b[:40]...), append(make([]byte, 200), b[240:]...)...)} {
		if err := os.WriteFile(path, harm, 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Export(t.Context(), l.dir, filepath.Join(base, "a"), ""); err == nil {
			t.Errorf("%s: a damaged lake is copied", what)
		}
		if left, _ := filepath.Glob(filepath.Join(base, "a*")); len(left) > 0 {
			t.Errorf("%s: %q is left", what, left)
		}
	}
	if err := os.WriteFile(path, b, 0o640); err != nil {
		t.Fatal(err)
	}
	empty := open(t, filepath.Join(base, "empty"))
	if _, err := Export(t.Context(), empty.dir, filepath.Join(base, "b"), ""); err != nil {
		t.Errorf("of a lake without rows: %v", err)
	}
	intact(t, open(t, filepath.Join(base, "b")), nil)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(all))
}
