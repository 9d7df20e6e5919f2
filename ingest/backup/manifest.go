package backup

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Version is the format of backups that this release writes, and the newest that it reads.
const Version = 1

// ManifestName is the file whose presence makes a folder a backup.
const ManifestName = "manifest.json"

// A Manifest says what a backup holds.
type Manifest struct {
	Kind       string    `json:"kind"`        // always "marginline backup"
	Version    int       `json:"version"`     // of the backup's format
	DataFormat int       `json:"data_format"` // of the data folder that it was made from
	Program    string    `json:"program"`     // version of the release that made it
	MadeAt     time.Time `json:"made_at"`     // when decisions (roster, alerts, orders) were read: the backup's point
	Stream     string    `json:"stream"`      // id of the report stream that the lake has read
	LakeSeq    uint64    `json:"lake_seq"`    // newest report of the stream that the lake holds
	LogSeq     uint64    `json:"log_seq"`     // newest report that the log holds at least; never below LakeSeq
	Files      []File    `json:"files"`       // ordered by path
}

// A File is one file of a backup.
type File struct {
	Path   string `json:"path"` // relative to the backup, with slashes
	Size   int64  `json:"size"` // bytes
	SHA256 string `json:"sha256"`
}

const kind = "marginline backup"

// Bytes is the size of all files.
func (m *Manifest) Bytes() (n int64) {
	for _, f := range m.Files {
		n += f.Size
	}
	return n
}

// Under gives the files below a folder of the backup, with their paths relative to it.
func (m *Manifest) Under(dir string) []File {
	var out []File
	for _, f := range m.Files {
		if rest, ok := strings.CutPrefix(f.Path, dir+"/"); ok {
			out = append(out, File{rest, f.Size, f.SHA256})
		}
	}
	return out
}

// ErrNone is wrapped by Find where there is no backup.
var ErrNone = errors.New("no backup")

// Find gives the backup at a path: the folder itself, or the newest one below it.
func Find(dir string) (string, *Manifest, error) {
	if _, err := os.Stat(filepath.Join(dir, ManifestName)); err == nil {
		m, err := Read(dir)
		return dir, m, err
	}
	names, err := points(dir)
	if err != nil {
		return "", nil, err
	}
	if len(names) == 0 {
		return "", nil, fmt.Errorf("%s: %w: neither it nor a folder in it holds a %s", dir, ErrNone, ManifestName)
	}
	path := filepath.Join(dir, names[len(names)-1])
	m, err := Read(path)
	return path, m, err
}

// points are the names of the whole backups in a folder, the oldest first.
func points(dir string) ([]string, error) {
	all, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range all {
		if !e.IsDir() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, e.Name(), ManifestName)); err == nil {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names) // they begin with their time
	return names, nil
}

// Read reads the manifest of a backup. A newer format is refused.
func Read(point string) (*Manifest, error) {
	path := filepath.Join(point, ManifestName)
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	m := &Manifest{}
	if err := json.Unmarshal(b, m); err != nil {
		return nil, fmt.Errorf("%s is damaged: %w", path, err)
	}
	if m.Kind != kind {
		return nil, fmt.Errorf("%s is not the manifest of a backup: kind is %q", path, m.Kind)
	}
	if m.Version > Version {
		return nil, fmt.Errorf("%s is a backup of format %d, made by release %q; this release reads up to format %d: use that release or a newer one", point, m.Version, m.Program, Version)
	}
	for _, f := range m.Files {
		if !filepath.IsLocal(filepath.FromSlash(f.Path)) {
			return nil, fmt.Errorf("%s is damaged: file %q would lie outside of the backup", path, f.Path)
		}
	}
	return m, nil
}
