package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
)

// dataFormat is the format of the data folder that this release writes, and the newest that it reads. Raise it
// when an older release could no longer read the folder, or must not write it, and add the step from the one
// before to upgrades. The lake's tables and the tables of state.db grow columns by themselves; that raises nothing.
//
//	1  lake, broker and state.db, without a word about the format
//	2  says so in the file "format"
const dataFormat = 2

// upgrades[n] takes a folder of format n to format n+1. A step may be cut short and run again.
var upgrades = map[int]func(dir string) error{
	1: func(string) error { return nil }, // the file is written after every step
}

// formatFile in the data folder says its format. It is only written when the folder is of that format.
const formatFile = "format"

type format struct {
	Format  int    `json:"format"`
	Release string `json:"release"` // that wrote the file, for people
}

// checkFormat brings a data folder of an older format up to this release's and refuses a newer one. The caller
// holds the folder's lock.
func checkFormat(dir string, log *slog.Logger) error {
	f, err := formatOf(dir)
	if err != nil {
		return err
	}
	if f.Format > dataFormat {
		return fmt.Errorf("data folder %s is of format %d, written by release %q; this release (%s) knows formats up to %d: use that release or a newer one; nothing was changed",
			dir, f.Format, f.Release, version, dataFormat)
	}
	if f.Format == dataFormat {
		return nil
	}
	for ; f.Format < dataFormat && f.Format > 0; f.Format++ {
		if err := upgrades[f.Format](dir); err != nil {
			return fmt.Errorf("data folder %s: from format %d to %d: %w", dir, f.Format, f.Format+1, err)
		}
		log.Info("the data folder was brought to a newer format", "folder", dir, "from", f.Format, "to", f.Format+1)
	}
	return writeFormat(dir)
}

// formatOf reads the format of a data folder; 0 = there is nothing in it yet.
func formatOf(dir string) (f format, err error) {
	path := filepath.Join(dir, formatFile)
	b, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if _, err := os.Stat(filepath.Join(dir, "state.db")); err == nil {
			f.Format = 1
		} else if _, err := os.Stat(filepath.Join(dir, "lake")); err == nil { // `lake restore` puts only that
			f.Format = 1
		}
		return f, nil
	case err != nil:
		return f, fmt.Errorf("data folder: %w", err)
	}
	if err := json.Unmarshal(b, &f); err != nil || f.Format < 1 {
		return f, fmt.Errorf("data folder: %s does not say a format: %q", path, b)
	}
	return f, nil
}

func writeFormat(dir string) error {
	body, err := json.Marshal(format{dataFormat, version})
	if err != nil {
		return err
	}
	path := filepath.Join(dir, formatFile)
	w, err := os.OpenFile(path+".tmp", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	_, err = w.Write(append(body, '\n'))
	if err = errors.Join(err, w.Sync(), w.Close()); err == nil {
		err = os.Rename(path+".tmp", path)
	}
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	return nil
}
