package lake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// youngFile is the age from which a file can be condemned: a commit may be about to name a younger one.
const youngFile = 15 * time.Minute

// Swept is what a sweep did.
type Swept struct {
	Files, Waiting      int // deleted, and condemned and not yet deleted
	Bytes, WaitingBytes int64
}

// A stray is a file of the lake that nothing refers to.
type stray struct {
	path string // relative to the lake
	size int64
	at   time.Time // when it was written
}

func condemnedFile(lake string) string { return filepath.Join(lake, "condemned.json") }

// Sweep is the second step of expiry. It condemns every file that neither a snapshot of the newest metadata
// nor a pin refers to, and deletes those that have been condemned for the grace period. What cannot be read stops
// it before anything is deleted.
func (l *Lake) Sweep(ctx context.Context, grace time.Duration) (done Swept, err error) {
	l.upkeep.Lock()
	defer l.upkeep.Unlock()
	if done, err = l.sweep(ctx, grace); err != nil {
		err = fmt.Errorf("sweep lake: %w", err)
	}
	return done, err
}

func (l *Lake) sweep(ctx context.Context, grace time.Duration) (done Swept, err error) {
	if _, err := l.settledSet(); err != nil {
		return done, err
	}
	since := map[string]time.Time{}
	if b, err := os.ReadFile(condemnedFile(l.dir)); err == nil {
		if json.Unmarshal(b, &since) != nil {
			since = map[string]time.Time{} // lost bookkeeping: the grace period starts anew
		}
	}
	// The folders first: what is committed after this is younger than what was listed, or named below.
	strays, err := l.list()
	if err != nil {
		return done, err
	}
	named, err := l.named(ctx)
	if err != nil {
		return done, err
	}
	now := l.now()
	next := map[string]time.Time{}
	var gone []stray
	for _, s := range strays {
		if named[s.path] || now.Sub(s.at) < youngFile {
			continue
		}
		at, old := since[s.path]
		if !old || at.After(now) {
			at = now
		}
		if old && now.Sub(at) >= grace {
			gone = append(gone, s)
			continue
		}
		next[s.path] = at
		done.Waiting++
		done.WaitingBytes += s.size
	}
	dirs := map[string]bool{}
	for _, s := range gone {
		path := filepath.Join(l.dir, s.path)
		if err := l.fs.delete(path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return done, err
		}
		dirs[filepath.Dir(path)] = true
		done.Files++
		done.Bytes += s.size
		l.metrics.swept.Inc()
		l.metrics.sweptBytes.Add(float64(s.size))
		if err := l.did("swept"); err != nil {
			return done, err
		}
	}
	for _, d := range slices.Sorted(maps.Keys(dirs)) {
		if err := l.fs.syncDir(d); err != nil {
			return done, err
		}
	}
	l.metrics.condemned.Set(float64(done.WaitingBytes))
	if len(next) == 0 && len(since) == 0 {
		return done, nil
	}
	_, err = l.fs.writeFile(condemnedFile(l.dir), func(w io.Writer) error { return json.NewEncoder(w).Encode(next) })
	if err == nil {
		err = l.did("condemned")
	}
	return done, err
}

// list gives the files of the tables, but those that a writer is busy with or that every table has.
func (l *Lake) list() (out []stray, err error) {
	for _, t := range l.tables {
		for _, dir := range []string{t.dataDir(), t.metadataDir()} {
			names, err := os.ReadDir(dir)
			if err != nil {
				return nil, err
			}
			var sum int64
			for _, n := range names {
				info, err := n.Info()
				if errors.Is(err, os.ErrNotExist) {
					continue
				}
				if err != nil {
					return nil, err
				}
				sum += info.Size()
				if !info.Mode().IsRegular() || strings.HasSuffix(n.Name(), tempSuffix) || n.Name() == hintName {
					continue
				}
				rel, err := filepath.Rel(l.dir, filepath.Join(dir, n.Name()))
				if err != nil {
					return nil, err
				}
				out = append(out, stray{rel, info.Size(), info.ModTime()})
			}
			if dir == t.metadataDir() {
				l.metrics.metadata.WithLabelValues(t.name).Set(float64(sum))
			}
		}
	}
	return out, nil
}

// named gives every file that something refers to: the newest metadata of each table, its log, its
// snapshots, the states that this process has pinned, and the pins of others.
func (l *Lake) named(ctx context.Context) (map[string]bool, error) {
	names := map[string]bool{}
	add := func(path string) error {
		rel, err := filepath.Rel(l.dir, path)
		names[rel] = true
		return err
	}
	var tips [tableCount]*metadata
	l.writing.Lock()
	var versions [tableCount]int
	for i, t := range l.tables {
		tips[i], versions[i] = t.tip, t.version
	}
	l.writing.Unlock()

	l.mu.Lock()
	sets := append(slices.Collect(maps.Keys(l.refs)), l.set)
	l.mu.Unlock()
	for _, s := range sets {
		for i, h := range s.heads {
			for _, f := range h.files {
				if err := add(f.path); err != nil {
					return nil, err
				}
			}
			for _, m := range h.manifests {
				if err := add(l.tables[i].actual(m.FilePath())); err != nil {
					return nil, err
				}
			}
		}
	}
	for _, path := range l.folds.waiting() {
		if err := add(path); err != nil {
			return nil, err
		}
	}
	held, err := pinned(l.dir, l.now())
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{} // manifests that were read
	for i, t := range l.tables {
		if exists(versionFile(t.metadataDir(), versions[i]+1)) && !l.moved(i, versions[i]) {
			return nil, fmt.Errorf("table %s has version %d on disk, which this process did not publish", t.name, versions[i]+1)
		}
		if err := add(versionFile(t.metadataDir(), versions[i])); err != nil {
			return nil, err
		}
		for _, e := range tips[i].MetadataLog {
			if err := add(t.actual(e.MetadataFile)); err != nil {
				return nil, err
			}
		}
		var lists []string
		for _, s := range tips[i].Snapshots {
			lists = append(lists, t.actual(s.ManifestList))
		}
		for _, p := range held {
			if filepath.Dir(p) == t.metadataDir() {
				lists = append(lists, p)
			}
		}
		for _, path := range lists {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			if err := t.follows(path, seen, add); err != nil {
				return nil, err
			}
		}
	}
	return names, nil
}

// moved says whether a table has been committed to since it was at a version.
func (l *Lake) moved(i, version int) bool {
	l.writing.Lock()
	defer l.writing.Unlock()
	return l.tables[i].version != version
}

// follows adds a manifest list and everything it leads to.
func (t *table) follows(list string, seen map[string]bool, add func(string) error) error {
	if err := add(list); err != nil {
		return err
	}
	manifests, err := readList(list)
	if err != nil {
		return fmt.Errorf("table %s: %w", t.name, err)
	}
	for _, m := range manifests {
		path := t.actual(m.FilePath())
		if seen[path] {
			continue
		}
		seen[path] = true
		if err := add(path); err != nil {
			return err
		}
		entries, err := t.entries(m)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if err := add(t.actual(e.DataFile().FilePath())); err != nil {
				return err
			}
		}
	}
	return nil
}
