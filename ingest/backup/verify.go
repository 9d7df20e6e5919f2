package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// A Damage is one file of a backup that is not what the manifest says.
type Damage struct {
	Path string
	What string
}

func (d Damage) String() string { return d.Path + ": " + d.What }

// Verify reads every file of a backup and compares it with the manifest. The error is for what stops it.
func Verify(ctx context.Context, point string, m *Manifest) (found []Damage, err error) {
	known := map[string]bool{ManifestName: true}
	for _, f := range m.Files {
		if err := ctx.Err(); err != nil {
			return found, err
		}
		known[f.Path] = true
		switch n, sum, err := digest(filepath.Join(point, filepath.FromSlash(f.Path))); {
		case errors.Is(err, fs.ErrNotExist):
			found = append(found, Damage{f.Path, "is missing"})
		case err != nil:
			found = append(found, Damage{f.Path, err.Error()})
		case n != f.Size:
			found = append(found, Damage{f.Path, fmt.Sprintf("is %d bytes long, the manifest says %d", n, f.Size)})
		case sum != f.SHA256:
			found = append(found, Damage{f.Path, "its content is not what was written: SHA-256 differs from the manifest's"})
		}
	}
	err = filepath.WalkDir(point, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(point, path)
		if err == nil && !known[filepath.ToSlash(rel)] {
			found = append(found, Damage{filepath.ToSlash(rel), "is not in the manifest"})
		}
		return err
	})
	return found, err
}

func digest(path string) (size int64, sum string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return size, "", err
	}
	return size, hex.EncodeToString(h.Sum(nil)), nil
}
