package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"marginline/ingest/backup"
	"marginline/ingest/broker"
	"marginline/ingest/lake"
)

// restore brings a backup into the data folder of the configuration. The folder gets its name last.
func restore(ctx context.Context, cfg config, from string, log *slog.Logger) (point string, m *backup.Manifest, err error) {
	to, err := filepath.Abs(cfg.Data)
	if err != nil {
		return "", nil, err
	}
	if point, m, err = backup.Find(from); err != nil {
		return "", nil, err
	}
	if m.DataFormat > dataFormat {
		return "", nil, fmt.Errorf("%s holds data of format %d, made by release %q; this release (%s) knows formats up to %d: use that release or a newer one", point, m.DataFormat, m.Program, version, dataFormat)
	}
	if names, err := os.ReadDir(to); err == nil && len(names) > 0 {
		return "", nil, fmt.Errorf("%s is not empty; it was left as it is. Restore into a new folder", to)
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", nil, err
	}
	bad, err := backup.Verify(ctx, point, m)
	if err != nil {
		return "", nil, err
	}
	if len(bad) > 0 {
		var lines []string
		for _, d := range bad[:min(len(bad), 10)] {
			lines = append(lines, d.String())
		}
		return "", nil, fmt.Errorf("%s is damaged (%d files), nothing was restored: %s", point, len(bad), strings.Join(lines, "; "))
	}
	part := to + ".part" // of a restore that was cut short, or new
	if err := os.RemoveAll(part); err != nil {
		return "", nil, err
	}
	if err = refill(ctx, cfg, point, part, to, m, log); err == nil {
		if err = os.Remove(to); errors.Is(err, os.ErrNotExist) {
			err = nil
		}
	}
	if err == nil {
		err = errors.Join(os.Rename(part, to), backup.SyncDir(filepath.Dir(to)))
	}
	if err != nil {
		return "", nil, errors.Join(err, os.RemoveAll(part))
	}
	return point, m, nil
}

// refill makes a data folder of a backup in the folder part, which will live at to.
func refill(ctx context.Context, cfg config, point, part, to string, m *backup.Manifest, log *slog.Logger) error {
	lock, err := lockData(part)
	if err != nil {
		return err
	}
	defer lock.Close()
	for _, f := range m.Files {
		var dst string
		switch top, rest, _ := strings.Cut(f.Path, "/"); top {
		case backupData:
			dst = rest
		case backupState, backupSettings:
			dst = f.Path
		default:
			continue
		}
		if err := copyFile(filepath.Join(point, filepath.FromSlash(f.Path)), filepath.Join(part, filepath.FromSlash(dst))); err != nil {
			return err
		}
	}
	if err := checkState(ctx, filepath.Join(part, "state.db")); err != nil {
		return err
	}
	if _, err := lake.Export(ctx, filepath.Join(point, backupLake), filepath.Join(part, "lake"), filepath.Join(to, "lake")); err != nil {
		return err
	}
	var streams []broker.Kept
	for _, name := range broker.Streams() {
		s, err := keptStream(point, name, m)
		if err != nil {
			return err
		}
		streams = append(streams, s)
	}
	if err := broker.Restore(ctx, broker.Config{Dir: filepath.Join(part, "broker"), URL: cfg.Broker.URL}, streams, log); err != nil {
		return err
	}
	return backup.SyncDir(part)
}

func checkState(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		return err
	}
	defer db.Close()
	var said string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check").Scan(&said); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if said != "ok" {
		return fmt.Errorf("%s: %s", path, said)
	}
	return nil
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
