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

// files changes the file system for the lake. The zero value does what it is told; a test puts its faults in the way.
type files struct {
	// hook stands before every change: it does it, or not, or tells an error. to is the new name of a rename or
	// link. Nil in service.
	hook func(op, path, to string, do func() error) error
}

// The changes that a hook sees.
const (
	opCreate  = "create"
	opWrite   = "write"
	opSync    = "sync"
	opRename  = "rename"
	opLink    = "link"
	opRemove  = "remove"
	opSyncDir = "sync directory"
)

func (fs files) do(op, path, to string, do func() error) error {
	if fs.hook == nil {
		return do()
	}
	return fs.hook(op, path, to, do)
}

// writeFile makes the file at path from what fill writes and returns its size. The caller syncs the
// directory. On error nothing is left.
func (fs files) writeFile(path string, fill func(io.Writer) error) (size int64, err error) {
	f, err := fs.newFile(path)
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
func (fs files) writeTemp(temp string, fill func(io.Writer) error) (size int64, err error) {
	f, err := fs.newFile(strings.TrimSuffix(temp, tempSuffix))
	if err != nil {
		return 0, err
	}
	if err = fill(f); err == nil {
		err = f.sync()
	} else {
		f.f.Close()
	}
	if err != nil {
		fs.remove(temp)
		return 0, fmt.Errorf("write %s: %w", temp, err)
	}
	return f.n, nil
}

// A draft is a file being written under its temporary name. It hides everything of its os.File but Write: some
// writers close what they are given.
type draft struct {
	fs         files
	path, temp string
	f          *os.File
	w          *bufio.Writer
	n          int64
}

func (fs files) newFile(path string) (*draft, error) {
	d := &draft{fs: fs, path: path, temp: path + tempSuffix}
	err := fs.do(opCreate, d.temp, "", func() (err error) {
		d.f, err = os.OpenFile(d.temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
		return err
	})
	if err != nil {
		return nil, err
	}
	d.w = bufio.NewWriterSize(writerFunc(d.write), 256<<10)
	return d, nil
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

// write passes on what is buffered.
func (f *draft) write(b []byte) (n int, err error) {
	err = f.fs.do(opWrite, f.temp, "", func() (err error) {
		n, err = f.f.Write(b)
		return err
	})
	return n, err
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
		err = f.fs.do(opSync, f.temp, "", f.f.Sync)
	}
	return errors.Join(err, f.f.Close())
}

// finish makes the content durable and gives the file its name. On error nothing is left.
func (f *draft) finish() (size int64, err error) {
	if err = f.sync(); err == nil {
		err = f.fs.do(opRename, f.temp, f.path, func() error { return os.Rename(f.temp, f.path) })
	}
	if err != nil {
		f.fs.remove(f.temp)
		return 0, fmt.Errorf("write %s: %w", f.temp, err)
	}
	return f.n, nil
}

// discard gives the file up.
func (f *draft) discard() {
	f.f.Close()
	f.fs.remove(f.temp)
}

// link gives a synced temporary file its name, or fails where the name is taken: the one call here that
// two programs can race for.
func (fs files) link(temp, path string) error {
	return fs.do(opLink, temp, path, func() error { return os.Link(temp, path) })
}

// syncDir makes the names in a directory durable.
func (fs files) syncDir(dir string) error {
	return fs.do(opSyncDir, dir, "", func() error { return syncDir(dir) })
}

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
func (fs files) makeDir(dir string) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	return fs.syncDir(filepath.Dir(dir))
}

// sweep removes the files that a crash left half-written.
func (fs files) sweep(dir string) (removed int, err error) {
	names, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	for _, n := range names {
		if n.Type().IsRegular() && strings.HasSuffix(n.Name(), tempSuffix) {
			if err := fs.delete(filepath.Join(dir, n.Name())); err != nil {
				return removed, err
			}
			removed++
		}
	}
	return removed, nil
}

// remove takes back files that belong to nothing. What stays behind does no harm but its size.
func (fs files) remove(paths ...string) {
	for _, p := range paths {
		fs.delete(p)
	}
}

// delete takes a name out of the file system.
func (fs files) delete(path string) error {
	return fs.do(opRemove, path, "", func() error { return os.Remove(path) })
}
