package backup

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

var when = time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC)

// made writes a backup of three files: one fixed, one that changes, one small.
func made(t *testing.T, store, src, changes string, at time.Time) (string, *Point) {
	t.Helper()
	p, err := Begin(store, at)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(p.Fixed("lake/a.parquet", src, 1000), p.Add("log/1.blk", strings.NewReader(changes)), p.Add("log/0.blk", strings.NewReader("full"))); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Finish(Manifest{Program: "test", DataFormat: 1, MadeAt: at}); err != nil {
		t.Fatal(err)
	}
	return p.Final(), p
}

func source(t *testing.T) string {
	t.Helper()
	src := filepath.Join(t.TempDir(), "a.parquet")
	if err := os.WriteFile(src, bytes.Repeat([]byte{7}, 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	return src
}

// The second backup shares what did not change, both are whole, and either can go.
func TestSecondBackupShares(t *testing.T) {
	store, src := t.TempDir(), source(t)
	one, first := made(t, store, src, "x", when)
	two, second := made(t, store, src, "xy", when.Add(time.Hour))
	if first.Linked() != 0 || second.Linked() != 1000+4 {
		t.Errorf("shared %d and %d bytes", first.Linked(), second.Linked())
	}
	for name, shared := range map[string]bool{"lake/a.parquet": true, "log/0.blk": true, "log/1.blk": false} {
		a, err1 := os.Stat(filepath.Join(one, name))
		b, err2 := os.Stat(filepath.Join(two, name))
		if err1 != nil || err2 != nil || os.SameFile(a, b) != shared {
			t.Errorf("%s: %v %v, shared %v", name, err1, err2, !shared)
		}
	}
	if gone, err := Prune(store, 1); err != nil || len(gone) != 1 || filepath.Join(store, gone[0]) != one {
		t.Errorf("%v %v", gone, err)
	}
	found, m, err := Find(store)
	if err != nil || found != two || len(m.Files) != 3 || !m.MadeAt.Equal(when.Add(time.Hour)) {
		t.Fatalf("%s %+v %v", found, m, err)
	}
	if bad, err := Verify(t.Context(), found, m); err != nil || len(bad) != 0 {
		t.Errorf("%v %v", bad, err)
	}
}

// Every kind of damage is found and named.
func TestVerifyNamesTheFile(t *testing.T) {
	point, _ := made(t, t.TempDir(), source(t), "x", when)
	m, err := Read(point)
	if err != nil {
		t.Fatal(err)
	}
	flipped := bytes.Repeat([]byte{7}, 1000)
	flipped[500] ^= 1
	if err := errors.Join(os.WriteFile(filepath.Join(point, "lake/a.parquet"), flipped, 0o600), os.Remove(filepath.Join(point, "log/0.blk")),
		os.WriteFile(filepath.Join(point, "log/1.blk"), []byte("longer"), 0o600), os.WriteFile(filepath.Join(point, "more"), nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	bad, err := Verify(t.Context(), point, m)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"lake/a.parquet": "SHA-256", "log/0.blk": "missing", "log/1.blk": "6 bytes", "more": "not in the manifest"}
	for _, d := range bad {
		if w, ok := want[d.Path]; !ok || !strings.Contains(d.What, w) {
			t.Errorf("%s", d)
		}
		delete(want, d.Path)
	}
	if len(want) > 0 {
		t.Errorf("not found: %v", want)
	}
}

// A backup that is being written, or was cut short, is none; the next one removes it.
func TestHalfABackupIsNone(t *testing.T) {
	store := t.TempDir()
	p, err := Begin(store, when)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Add("a", strings.NewReader("x")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Find(store); !errors.Is(err, ErrNone) {
		t.Errorf("found while it is written: %v", err)
	}
	if _, err := Begin(store, when); !errors.Is(err, ErrBusy) {
		t.Errorf("two at a time: %v", err)
	}
	p.lock.Close() // the process dies
	if _, _, err := Find(store); !errors.Is(err, ErrNone) {
		t.Errorf("found after it was cut short: %v", err)
	}
	made(t, store, source(t), "x", when)
	if left, _ := filepath.Glob(filepath.Join(store, ".*"+partSuffix)); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// full is a file on a disk that has room for one write.
type full struct {
	io.WriteCloser
	room int
}

func (f *full) Write(b []byte) (int, error) {
	if f.room -= len(b); f.room < 0 {
		return 0, &os.PathError{Op: "write", Path: "there", Err: syscall.ENOSPC}
	}
	return f.WriteCloser.Write(b)
}

// On a full disk the error says so, and nothing is left but the older backups.
func TestFullDisk(t *testing.T) {
	store, src := t.TempDir(), source(t)
	one, _ := made(t, store, src, "x", when)
	for _, room := range []int{0, 50} { // in the file, and in the manifest
		p, err := Begin(store, when.Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		p.create = func(path string) (io.WriteCloser, error) {
			w, err := create(path)
			return &full{w, room}, err
		}
		err = p.Add("log/1.blk", strings.NewReader("0123456789"))
		if err == nil {
			_, err = p.Finish(Manifest{})
		}
		if err = p.Abandon(err); !errors.Is(err, syscall.ENOSPC) || !strings.Contains(err.Error(), "no room in "+store) {
			t.Errorf("%v", err)
		}
		if found, _, err := Find(store); err != nil || found != one {
			t.Errorf("%s %v", found, err)
		}
		if left, _ := filepath.Glob(filepath.Join(store, ".*"+partSuffix)); len(left) != 0 {
			t.Errorf("left: %v", left)
		}
	}
}

// What is not a manifest of ours, or one of a newer release, is refused.
func TestReadRefuses(t *testing.T) {
	for text, want := range map[string]string{
		`{"kind":"marginline backup","version":2,"program":"9.1"}`: `format 2, made by release "9.1"; this release reads up to format 1`,
		`{"kind":"something"}`:             "not the manifest of a backup",
		`{"kind":"marginline backup","ver`: "is damaged",
		`{"kind":"marginline backup","version":1,"files":[{"path":"../../etc/passwd"}]}`: "outside of the backup",
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, ManifestName), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, _, err := Find(dir); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}
