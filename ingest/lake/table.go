package lake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/iceberg-go"
)

// ErrConflict is wrapped by Commit when another program published a version of a table. Nothing of the
// commit is lost, but this Lake commits no more: close it and open it again.
var ErrConflict = errors.New("another program has written to the lake")

// A table is the committer's side of one table. Only the goroutine that commits touches it.
type table struct {
	*spec
	dir      string
	log      *slog.Logger
	mem      memory.Allocator
	fs       files
	step     func(string) error
	location string    // the location that the metadata names; it never changes
	version  int       // of tip
	tip      *metadata // newest version on disk
	head     *head     // the committed state: what the next commit builds on
}

// A head is the state of a table at one snapshot. It is never changed.
type head struct {
	snapshot    int64 // 0: no rows yet
	at          time.Time
	manifests   []iceberg.ManifestFile
	files       []dataFile
	rows, bytes int64
	kept        int64 // microseconds: rows older than this may have been removed by age; 0: none were
}

func (t *table) dataDir() string     { return filepath.Join(t.dir, "data") }
func (t *table) metadataDir() string { return filepath.Join(t.dir, "metadata") }

// recorded is how a path stands in the metadata: under the table's location, whose first value stays. So
// a lake that was moved still reads here, though other engines need the location it was made at.
func (t *table) recorded(path string) string {
	return t.location + strings.TrimPrefix(path, t.dir)
}

func (t *table) actual(recorded string) string {
	if rest, ok := strings.CutPrefix(recorded, t.location+"/"); ok {
		return filepath.Join(t.dir, rest)
	}
	return recorded
}

// openTable reads the newest version of a table.
func (t *table) open() (err error) {
	if t.version, err = latest(t.metadataDir()); err != nil || t.version == 0 {
		return err
	}
	if t.tip, err = readMetadata(versionFile(t.metadataDir(), t.version), t.spec); err != nil {
		return err
	}
	if t.location = t.tip.Location; t.location != t.dir {
		t.log.Warn("the lake was moved: other engines will not find its files", "table", t.name, "made_at", t.location, "now_at", t.dir)
	}
	return nil
}

// load reads the state at a snapshot, which tip must hold.
func (t *table) load(id int64) (*head, error) {
	if id == 0 {
		return &head{}, nil
	}
	s := t.tip.snapshot(id)
	if s == nil {
		return nil, fmt.Errorf("table %s: snapshot %d is committed, but version %d does not hold it", t.name, id, t.version)
	}
	list, err := readList(t.actual(s.ManifestList))
	if err != nil {
		return nil, fmt.Errorf("table %s: %w", t.name, err)
	}
	h := &head{snapshot: id, at: time.UnixMilli(s.TimestampMs).UTC(), manifests: list, kept: t.tip.kept()}
	for _, m := range list {
		entries, err := t.entries(m)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			h.add(t.dataFile(e.DataFile()))
		}
	}
	return h, nil
}

func (h *head) add(f dataFile) {
	h.files = append(h.files, f)
	h.rows += f.rows
	h.bytes += f.bytes
}

func itoa(n int64) string { return strconv.FormatInt(n, 10) }

// did tells the test hook that a step is done.
func (t *table) did(what string) error {
	if t.step == nil {
		return nil
	}
	return t.step(t.name + "." + what)
}

// errUnsynced says that a version can be read but may not outlive a power cut.
var errUnsynced = errors.New("published, but not known to be durable")

// errUnknown says that a version may be there or not: its files must stay. Should it be there, the next version
// finds its name taken.
var errUnknown = errors.New("outcome unknown")

// publish makes m the newest version of the table. The link either makes the new name or fails: two
// programs can't both publish one version. Where an error leaves the outcome open, the file is read
// back: what is there in our own bytes is ours.
func (t *table) publish(m *metadata) error {
	path := versionFile(t.metadataDir(), t.version+1)
	temp := path + tempSuffix
	var body bytes.Buffer
	if err := m.write(&body); err != nil {
		return fmt.Errorf("metadata of table %s: %w", t.name, err)
	}
	if _, err := t.fs.writeTemp(temp, func(w io.Writer) error { _, err := w.Write(body.Bytes()); return err }); err != nil {
		return fmt.Errorf("metadata of table %s: %w", t.name, err)
	}
	err := t.did("metadata")
	if err == nil {
		if err = t.fs.link(temp, path); err == nil {
			err = t.did("link")
		}
	}
	if err != nil {
		there, rerr := os.ReadFile(path)
		switch {
		case errors.Is(rerr, os.ErrNotExist):
			t.fs.remove(temp)
			return fmt.Errorf("publish version %d of table %s: %w", t.version+1, t.name, err)
		case rerr != nil:
			return fmt.Errorf("publish version %d of table %s: %w; %w: %w", t.version+1, t.name, err, errUnknown, rerr)
		case !bytes.Equal(there, body.Bytes()):
			t.fs.remove(temp)
			return fmt.Errorf("publish version %d of table %s: %w (%w)", t.version+1, t.name, ErrConflict, err)
		}
		t.log.Warn("a version was published although the call failed", "table", t.name, "version", t.version+1, "error", err)
	}
	t.fs.remove(temp)
	previous := t.tip
	t.version++
	t.tip = m
	err = errors.Join(t.fs.syncDir(t.metadataDir()), t.did("sync"))
	if err == nil {
		t.tidy(previous)
		err = t.did("hint")
	}
	if err != nil {
		return fmt.Errorf("version %d of table %s: %w: %w", t.version, t.name, errUnsynced, err)
	}
	return nil
}

// tidy writes the version hint and removes metadata that fell out of the log. Neither is needed for the
// commit to hold, so failures are only told.
func (t *table) tidy(previous *metadata) {
	hint := filepath.Join(t.metadataDir(), hintName)
	if _, err := t.fs.writeFile(hint, func(w io.Writer) error { _, err := fmt.Fprintf(w, "%d", t.version); return err }); err != nil {
		t.log.Warn("the version hint was not written: other engines may see an older version", "table", t.name, "error", err)
	}
	if previous == nil || len(previous.MetadataLog) < keepMetadata {
		return
	}
	old := t.actual(previous.MetadataLog[0].MetadataFile)
	if err := t.fs.delete(old); err != nil && !errors.Is(err, os.ErrNotExist) {
		t.log.Warn("old table metadata was not removed", "file", old, "error", err)
	}
}

// follow is the version after tip.
func (t *table) follow(now time.Time) *metadata {
	return t.tip.next(t.recorded(versionFile(t.metadataDir(), t.version)), now.UnixMilli())
}

// create publishes version 1: a table without rows.
func (t *table) create(now time.Time) error {
	t.imagine(now)
	m := t.tip
	t.tip = nil
	return t.publish(m)
}

// imagine is a table without rows that is not on disk.
func (t *table) imagine(now time.Time) {
	t.location = t.dir
	t.tip = newMetadata(t.spec, t.location, now.UnixMilli())
}
