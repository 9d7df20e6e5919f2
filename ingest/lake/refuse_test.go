package lake

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

func TestOpenRefuses(t *testing.T) {
	made := func(t *testing.T) (dir, file string) {
		dir = t.TempDir()
		l := open(t, dir)
		feed(l, batch(0, 3), 1)
		commit(t, l, 3)
		feed(l, batch(3, 3), 4)
		commit(t, l, 6)
		return dir, filepath.Join(dir, "readings", "metadata", "v3.metadata.json")
	}
	edit := func(t *testing.T, file string, change func(map[string]any)) {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		d := json.NewDecoder(bytes.NewReader(b))
		d.UseNumber()
		if err := d.Decode(&m); err != nil {
			t.Fatal(err)
		}
		change(m)
		if b, err = json.Marshal(m); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		harm func(t *testing.T, dir, file string)
		want string
	}{
		"a newer table format": {func(t *testing.T, _, file string) {
			edit(t, file, func(m map[string]any) { m["format-version"] = 3 })
		}, "Iceberg format version 3"},
		"a column of a newer release": {func(t *testing.T, _, file string) {
			edit(t, file, func(m map[string]any) {
				s := m["schemas"].([]any)[0].(map[string]any)
				s["fields"] = append(s["fields"].([]any), map[string]any{"id": 99, "name": "quality", "required": false, "type": "int"})
			})
		}, "written by a newer one"},
		"half a metadata file": {func(t *testing.T, _, file string) {
			if err := os.Truncate(file, 100); err != nil {
				t.Fatal(err)
			}
		}, "v3.metadata.json cannot be read"},
		"a table of another lake": {func(t *testing.T, dir, _ string) {
			other, _ := made(t)
			if err := errors.Join(os.RemoveAll(filepath.Join(dir, "readings")), os.Rename(filepath.Join(other, "readings"), filepath.Join(dir, "readings"))); err != nil {
				t.Fatal(err)
			}
		}, "tables of different lakes were mixed"},
		"a lost commit point": {func(t *testing.T, dir, _ string) {
			if err := os.RemoveAll(filepath.Join(dir, "reports")); err != nil {
				t.Fatal(err)
			}
		}, "names 0 as committed"},
	} {
		t.Run(name, func(t *testing.T) {
			dir, file := made(t)
			c.harm(t, dir, file)
			before := versions(t, dir)
			_, err := Open(dir, slog.New(slog.DiscardHandler), nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want %q", err, c.want)
			}
			if after := versions(t, dir); c.want != "names 0 as committed" && !slices.Equal(before, after) {
				t.Errorf("files were %q, are %q", before, after)
			}
		})
	}
}

func versions(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*", "metadata", "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func TestDamageIsTold(t *testing.T) {
	for name, harm := range map[string]func(path string) error{
		"missing": os.Remove,
		"shorter": func(path string) error { return os.Truncate(path, 1000) },
		"scrambled": func(path string) error {
			b, err := os.ReadFile(path)
			for i := 4; i < len(b)/2; i++ {
				b[i] ^= 0x5A
			}
			return errors.Join(err, os.WriteFile(path, b, 0o640))
		},
	} {
		for i := range specs {
			t.Run(fmt.Sprintf("%s %s", name, specs[i].name), func(t *testing.T) {
				dir := t.TempDir()
				l := open(t, dir)
				feed(l, batch(0, 12), 1)
				commit(t, l, 12)
				fold(t, l, batch(0, 12))
				path := l.set.heads[i].files[0].path
				if err := harm(path); err != nil {
					t.Fatal(err)
				}
				problems, _, err := Verify(t.Context(), dir)
				if err != nil || len(problems) == 0 || problems[0].Table != specs[i].name || problems[0].File != path {
					t.Errorf("problems %v, error %v", problems, err)
				}
				if i == drift {
					return // no poll is read from it
				}
				var failed error
				for _, err := range l.Polls(t.Context(), nil, nil, time.Time{}) {
					failed = err
				}
				if failed == nil || !strings.Contains(failed.Error(), path) {
					t.Errorf("Polls says %v, want an error that names %s", failed, path)
				}
				failed = l.Replay(t.Context(), series.Replay{Unit: func(string, string) int { return 0 }, Each: func(int, *series.Poll) error { return nil }})
				if failed == nil || !strings.Contains(failed.Error(), path) {
					t.Errorf("Replay says %v, want an error that names %s", failed, path)
				}
			})
		}
	}
	if _, _, err := Verify(t.Context(), filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a lake that is not there: %v", err)
	}
}
