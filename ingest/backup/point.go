package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

const partSuffix = ".part"

// ErrBusy is wrapped by Begin while another process writes a backup into the same folder.
var ErrBusy = errors.New("another backup is being written there")

// A Point is one backup being written. End it with Finish or Abandon.
type Point struct {
	store  string // where backups are kept
	dir    string // what is being written
	final  string
	lock   *os.File
	before map[string]File // of the newest backup there
	from   string          // its folder
	files  map[string]File
	linked int64 // bytes that the newest backup shares

	create func(path string) (io.WriteCloser, error) // a test puts a full disk here
}

// Begin starts a backup in the folder store, which it makes where it is missing, and removes what backups that
// were cut short left there.
func Begin(store string, at time.Time) (_ *Point, err error) {
	if err := os.MkdirAll(store, 0o700); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	lock, err := os.OpenFile(filepath.Join(store, ".lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	defer func() {
		if err != nil {
			lock.Close()
		}
	}()
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = ErrBusy
		}
		return nil, fmt.Errorf("backup: %s: %w", store, err)
	}
	parts, err := filepath.Glob(filepath.Join(store, ".*"+partSuffix))
	if err != nil {
		return nil, err
	}
	for _, p := range parts {
		if err := os.RemoveAll(p); err != nil {
			return nil, fmt.Errorf("backup: %w", err)
		}
	}
	name := at.UTC().Format("2006-01-02T15-04-05Z")
	for n := 2; ; n++ {
		if _, err := os.Lstat(filepath.Join(store, name)); errors.Is(err, fs.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s.%d", at.UTC().Format("2006-01-02T15-04-05Z"), n)
	}
	p := &Point{store: store, dir: filepath.Join(store, "."+name+partSuffix), final: filepath.Join(store, name), lock: lock,
		before: map[string]File{}, files: map[string]File{}, create: create}
	if from, m, err := Find(store); err == nil {
		p.from = from
		for _, f := range m.Files {
			p.before[f.Path] = f
		}
	} // a backup that cannot be read shares nothing
	if err := os.Mkdir(p.dir, 0o700); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return p, nil
}

func create(path string) (io.WriteCloser, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	return synced{f}, nil
}

// synced makes a file durable when it is closed.
type synced struct{ *os.File }

func (s synced) Close() error { return errors.Join(s.Sync(), s.File.Close()) }

// Dir is where the files lie while the backup is being written; Final, where they will lie.
func (p *Point) Dir() string   { return p.dir }
func (p *Point) Final() string { return p.final }

// Linked is how many bytes are shared with the backup before.
func (p *Point) Linked() int64 { return p.linked }

// Add writes a file from a reader.
func (p *Point) Add(name string, r io.Reader) error {
	path, err := p.place(name)
	if err != nil {
		return err
	}
	w, err := p.create(path)
	if err != nil {
		return fmt.Errorf("backup: %s: %w", name, err)
	}
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(w, sum), r)
	if err = errors.Join(err, w.Close()); err != nil {
		return fmt.Errorf("backup: %s: %w", name, err)
	}
	f := File{name, n, hex.EncodeToString(sum.Sum(nil))}
	p.files[name] = f
	if old, ok := p.before[name]; ok && old == f {
		p.relink(f, path)
	}
	return nil
}

// AddFile writes a copy of a file.
func (p *Point) AddFile(name, src string) error {
	in, err := os.Open(src)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer in.Close()
	return p.Add(name, in)
}

// Fixed writes a copy of a file that never changes once it has its name: the copy of the backup before is as good.
func (p *Point) Fixed(name, src string, size int64) error {
	if old, ok := p.before[name]; ok && old.Size == size {
		path, err := p.place(name)
		if err != nil {
			return err
		}
		if info, err := os.Stat(filepath.Join(p.from, name)); err == nil && info.Size() == size && os.Link(filepath.Join(p.from, name), path) == nil {
			p.files[name], p.linked = old, p.linked+size
			return nil
		} // a file system without links: copied
	}
	if err := p.AddFile(name, src); err != nil {
		return err
	}
	if n := p.files[name].Size; n != size {
		return fmt.Errorf("backup: %s is %d bytes long, its table says %d", src, n, size)
	}
	return nil
}

// Note takes a file into account that was written below Dir by somebody else, and syncs it.
func (p *Point) Note(name string) error {
	f, err := os.Open(filepath.Join(p.dir, name))
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer f.Close()
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	if err = errors.Join(err, f.Sync()); err != nil {
		return fmt.Errorf("backup: %s: %w", name, err)
	}
	p.files[name] = File{name, n, hex.EncodeToString(sum.Sum(nil))}
	return nil
}

// Has says whether a file is in the backup.
func (p *Point) Has(name string) bool { _, ok := p.files[name]; return ok }

func (p *Point) place(name string) (string, error) {
	if !filepath.IsLocal(filepath.FromSlash(name)) || p.Has(name) || name == ManifestName {
		return "", fmt.Errorf("backup: %q is no name for a new file", name)
	}
	path := filepath.Join(p.dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return "", fmt.Errorf("backup: %w", err)
	}
	return path, nil
}

// relink replaces a file by the same one of the backup before. Where that cannot be, the copy stays.
func (p *Point) relink(f File, path string) {
	temp := path + ".link"
	if os.Link(filepath.Join(p.from, filepath.FromSlash(f.Path)), temp) != nil {
		return
	}
	if os.Rename(temp, path) != nil {
		os.Remove(temp)
		return
	}
	p.linked += f.Size
}

// Finish writes the manifest, for which m says everything but the files, and gives the backup its name.
func (p *Point) Finish(m Manifest) (*Manifest, error) {
	m.Kind, m.Version = kind, Version
	m.Files = m.Files[:0]
	for _, f := range p.files {
		m.Files = append(m.Files, f)
	}
	slices.SortFunc(m.Files, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	body, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	if err := syncFolders(p.dir); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	w, err := p.create(filepath.Join(p.dir, ManifestName))
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	_, err = io.Copy(w, bytes.NewReader(append(body, '\n')))
	if err = errors.Join(err, w.Close()); err == nil {
		err = SyncDir(p.dir)
	}
	if err == nil {
		err = os.Rename(p.dir, p.final)
	}
	if err == nil {
		err = SyncDir(p.store)
	}
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return &m, p.lock.Close()
}

// Abandon takes away what was written, after a failure, and says in its error what to do about a full disk.
func (p *Point) Abandon(cause error) error {
	if errors.Is(cause, syscall.ENOSPC) || errors.Is(cause, syscall.EDQUOT) {
		cause = fmt.Errorf("%w: no room in %s for this backup; nothing of it was kept, older backups are as they were", cause, p.store)
	}
	return errors.Join(cause, os.RemoveAll(p.dir), p.lock.Close())
}

// Prune removes the oldest backups of a folder until keep are left, and gives their names.
func Prune(store string, keep int) (gone []string, err error) {
	names, err := points(store)
	if err != nil {
		return nil, err
	}
	for len(names) > keep {
		path := filepath.Join(store, names[0])
		part := filepath.Join(store, "."+names[0]+partSuffix) // half removed is no backup
		if err := os.Rename(path, part); err != nil {
			return gone, err
		}
		if err := os.RemoveAll(part); err != nil {
			return gone, err
		}
		gone, names = append(gone, names[0]), names[1:]
	}
	return gone, nil
}

func syncFolders(dir string) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return SyncDir(path)
	})
}

// SyncDir puts the names in a folder on disk.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
