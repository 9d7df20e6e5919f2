package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// errOwned says that another process owns the data folder.
var errOwned = errors.New("the data folder is in use by another process")

// lockData takes the exclusive lock of a data folder, creating the folder. The lock is the kernel's: it
// ends with the process, however that ends, so no stale lock file can keep anyone out.
func lockData(dir string) (*os.File, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("data folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: %w", dir, errOwned)
		}
		return nil, fmt.Errorf("lock %s: %w", dir, err)
	}
	return f, nil
}
