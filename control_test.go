package main

import (
	"net"
	"os"
	"path/filepath"
	"testing"
)

// The socket folder that a killed process left is removed when its data folder is opened again; that of a living one
// stays, also when the data folder is a copy of its own.
func TestSocketOfAKilledProcessIsSwept(t *testing.T) {
	for _, lives := range []bool{false, true} {
		dir, err := os.MkdirTemp("", "marginline-")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		sock := filepath.Join(dir, "s")
		if lives {
			l, err := net.Listen("unix", sock)
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
		}
		data := t.TempDir()
		if err := os.WriteFile(filepath.Join(data, controlFile), []byte(sock), 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := serveControl(data, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := c.close(t.Context()); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(dir); (err == nil) != lives {
			t.Errorf("lives %v: %v", lives, err)
		}
	}
}
