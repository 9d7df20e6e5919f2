package lake

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Every file of the lake is written under a temporary name, synced, renamed, and its directory synced, so
// that a name ending otherwise than in tempSuffix is always a whole file. All writing goes through this
// file.

const tempSuffix = ".tmp"

// writeFile makes the file at path from what fill writes and returns its size. The caller syncs the
// directory. On error nothing is left.
func writeFile(path string, fill func(io.Writer) error) (size int64, err error) {
	temp := path + tempSuffix
	if size, err = writeTemp(temp, fill); err != nil {
		return 0, err
	}
	if err := os.Rename(temp, path); err != nil {
		return 0, errors.Join(err, os.Remove(temp))
	}
	return size, nil
}

// writeTemp makes and syncs a file under its final content, without publishing a name for it.
func writeTemp(temp string, fill func(io.Writer) error) (size int64, err error) {
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return 0, err
	}
	w := &counter{w: bufio.NewWriterSize(f, 256<<10)}
	err = fill(w)
	if err == nil {
		err = w.w.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(temp)
		return 0, fmt.Errorf("write %s: %w", temp, err)
	}
	return w.n, nil
}

// counter hides everything of its file but Write: some writers close what they are given.
type counter struct {
	w *bufio.Writer
	n int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}

// link gives a synced temporary file its name, or fails where the name is taken: the one call here that
// two programs can race for.
func link(temp, path string) error { return os.Link(temp, path) }

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("sync directory %s: %w", dir, err)
	}
	return nil
}

// makeDir makes a directory and the name of it durable.
func makeDir(dir string) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	return syncDir(filepath.Dir(dir))
}

// sweep removes the files that a crash left half-written.
func sweep(dir string) (removed int, err error) {
	names, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	for _, n := range names {
		if n.Type().IsRegular() && strings.HasSuffix(n.Name(), tempSuffix) {
			if err := os.Remove(filepath.Join(dir, n.Name())); err != nil {
				return removed, err
			}
			removed++
		}
	}
	return removed, nil
}

// remove takes back files that belong to nothing. What stays behind does no harm but its size.
func remove(files ...string) {
	for _, f := range files {
		os.Remove(f)
	}
}
