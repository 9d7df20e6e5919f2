package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/ingest/backup"
	"marginline/ingest/broker"
	"marginline/ingest/lake"
)

// The order makes the point. First the decisions: they only speak of what was committed before. Then one state of
// the lake is held: it has all that the decisions speak of. Then the log: it has all that the lake has read, and
// what it has not. So what is restored is what a crash would have left at that moment, and starts as after a crash:
// the log is read behind the lake's position, and the alerts are derived again.

// In a backup.
const (
	backupLake     = "lake"     // the history
	backupLog      = "log"      // a folder a stream: stream.json and files/
	backupData     = "data"     // other files of the data folder
	backupState    = "state.db" // the state database
	backupSettings = "settings"
)

// rebuilt are what a data folder has and a backup does not copy as it lies there.
var rebuilt = []string{"broker", "lake", "state.db", "state.db-wal", "state.db-shm", "control", "control.tmp", "lock", "tmp", formatFile + ".tmp"}

func (a *app) takeBackup(w http.ResponseWriter, r *http.Request) error {
	to := r.FormValue("to")
	keep, err := strconv.Atoi(r.FormValue("keep"))
	if err != nil || !filepath.IsAbs(to) {
		return fmt.Errorf("backup: to %q, keep %q", to, r.FormValue("keep"))
	}
	data, err := filepath.Abs(a.cfg.Data)
	if err != nil {
		return err
	}
	if rel, err := filepath.Rel(data, to); err == nil && filepath.IsLocal(rel) {
		return fmt.Errorf("backup: %s is in the data folder: it would be lost with it; choose another disk", to)
	}
	p, err := backup.Begin(to, time.Now())
	if err != nil {
		return err
	}
	m, err := a.fillBackup(r.Context(), p)
	if err == nil {
		m, err = p.Finish(*m)
	}
	if err != nil {
		return p.Abandon(err)
	}
	if keep > 0 {
		gone, err := backup.Prune(to, keep)
		if err != nil {
			return fmt.Errorf("backup: %s is whole, but an older one was not removed: %w", p.Final(), err)
		}
		if len(gone) > 0 {
			w.Header().Set(noteHeader, "removed: "+strings.Join(gone, ", "))
		}
	}
	l := backupListing()
	addBackup(&l, p.Final(), m, p.Linked())
	return l.print(w, r.FormValue("form"))
}

func (a *app) fillBackup(ctx context.Context, p *backup.Point) (*backup.Manifest, error) {
	oldest, err := a.broker.Oldest(ctx)
	if err != nil {
		return nil, err
	}
	m := &backup.Manifest{Program: version, DataFormat: dataFormat, MadeAt: time.Now().UTC().Truncate(time.Microsecond)}
	if err := copyState(ctx, filepath.Join(a.cfg.Data, "state.db"), filepath.Join(p.Dir(), backupState)); err != nil {
		return nil, err
	}
	if err := p.Note(backupState); err != nil {
		return nil, err
	}
	held, err := lake.Hold(ctx, lakeDir(a.cfg))
	if err != nil {
		return nil, err
	}
	defer held.Release()
	pos := held.Position()
	m.Stream, m.LakeSeq = pos.Stream, pos.Seq
	if _, m.LogSeq, err = a.broker.Stream(ctx); err != nil {
		return nil, err
	}
	for _, stream := range broker.Streams() {
		if err := a.backupStream(ctx, p, stream); err != nil {
			return nil, err
		}
	}
	now, err := a.broker.Oldest(ctx)
	if err != nil {
		return nil, err
	}
	if now > oldest && now > pos.Seq+1 && pos.Stream != "" {
		return nil, fmt.Errorf("backup: reports up to %d left the log while it was copied, the lake's copy ends at %d: the log is too small or too short (broker.max_bytes, broker.max_age); try again", now-1, pos.Seq)
	}
	data := func(src, dst string, size int64) error {
		rel, err := filepath.Rel(p.Dir(), dst)
		if err != nil {
			return err
		}
		return p.Fixed(filepath.ToSlash(rel), src, size)
	}
	if err := held.Copy(ctx, filepath.Join(p.Dir(), backupLake), filepath.Join(p.Final(), backupLake), data); err != nil {
		return nil, err
	}
	err = eachFile(filepath.Join(p.Dir(), backupLake), nil, func(rel, _ string) error {
		if name := backupLake + "/" + rel; !p.Has(name) {
			return p.Note(name)
		}
		return nil
	})
	if err == nil {
		err = eachFile(a.cfg.Data, rebuilt, func(rel, path string) error { return p.AddFile(backupData+"/"+rel, path) })
	}
	for _, f := range []string{a.cfg.file, a.cfg.Catalogue} {
		if f != "" && err == nil && !p.Has(backupSettings+"/"+filepath.Base(f)) {
			err = p.AddFile(backupSettings+"/"+filepath.Base(f), f)
		}
	}
	return m, err
}

func (a *app) backupStream(ctx context.Context, p *backup.Point, stream string) error {
	dir := backupLog + "/" + stream
	shot, err := a.broker.Snapshot(ctx, stream, func(name string, r io.Reader) error { return p.Add(dir+"/files/"+name, r) })
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(shot, "", " ")
	if err != nil {
		return err
	}
	return p.Add(dir+"/stream.json", strings.NewReader(string(text)+"\n"))
}

// copyState writes one state of the database as a new file, while others write on: in WAL mode a reader holds
// nobody up.
func copyState(ctx context.Context, from, to string) error {
	db, err := sql.Open("sqlite", "file:"+from+"?_pragma=busy_timeout(10000)")
	if err == nil {
		_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		return fmt.Errorf("copy %s: %w", from, err)
	}
	return nil
}

// eachFile gives the regular files below a folder, but what is named in without.
func eachFile(dir string, without []string, do func(rel, path string) error) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		switch {
		case err != nil:
			return err
		case slices.Contains(without, rel) && d.IsDir():
			return fs.SkipDir
		case slices.Contains(without, rel) || !d.Type().IsRegular():
			return nil
		}
		return do(filepath.ToSlash(rel), path)
	})
}

// keptStream gives the files of a stream in a backup.
func keptStream(point, stream string, m *backup.Manifest) (broker.Kept, error) {
	k := broker.Kept{Name: stream}
	dir := filepath.Join(point, backupLog, stream)
	text, err := os.ReadFile(filepath.Join(dir, "stream.json"))
	if err != nil {
		return k, err
	}
	if err := json.Unmarshal(text, &k.Shot); err != nil {
		return k, fmt.Errorf("%s: %w", filepath.Join(dir, "stream.json"), err)
	}
	for _, f := range m.Under(backupLog + "/" + stream + "/files") {
		k.Files = append(k.Files, broker.KeptFile{Name: f.Path, Open: func() (io.ReadCloser, error) {
			return os.Open(filepath.Join(dir, "files", filepath.FromSlash(f.Path)))
		}})
	}
	return k, nil
}
