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
	f, err := newFile(path)
	if err != nil {
		return 0, err
	}
	if err := fill(f); err != nil {
		f.discard()
		return 0, fmt.Errorf("write %s: %w", f.temp, err)
	}
	return f.finish()
}

// writeTemp makes and syncs a file under its final content, without publishing a name for it.
func writeTemp(temp string, fill func(io.Writer) error) (size int64, err error) {
	f, err := newFile(strings.TrimSuffix(temp, tempSuffix))
	if err != nil {
		return 0, err
	}
	if err = fill(f); err == nil {
		err = f.sync()
	} else {
		f.f.Close()
	}
	if err != nil {
		os.Remove(temp)
		return 0, fmt.Errorf("write %s: %w", temp, err)
	}
	return f.n, nil
}

// A draft is a file being written under its temporary name. It hides everything of its os.File but Write: some
// writers close what they are given.
type draft struct {
	path, temp string
	f          *os.File
	w          *bufio.Writer
	n          int64
}

func newFile(path string) (*draft, error) {
	temp := path + tempSuffix
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return nil, err
	}
	return &draft{path: path, temp: temp, f: f, w: bufio.NewWriterSize(f, 256<<10)}, nil
}

func (f *draft) Write(b []byte) (int, error) {
	n, err := f.w.Write(b)
	f.n += int64(n)
	return n, err
}

// sync makes the content durable and closes the file.
func (f *draft) sync() error {
	err := f.w.Flush()
	if err == nil {
		err = f.f.Sync()
	}
	return errors.Join(err, f.f.Close())
}

// finish makes the content durable and gives the file its name. On error nothing is left.
func (f *draft) finish() (size int64, err error) {
	if err = f.sync(); err == nil {
		err = os.Rename(f.temp, f.path)
	}
	if err != nil {
		os.Remove(f.temp)
		return 0, fmt.Errorf("write %s: %w", f.temp, err)
	}
	return f.n, nil
}

// discard gives the file up.
func (f *draft) discard() {
	f.f.Close()
	os.Remove(f.temp)
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
