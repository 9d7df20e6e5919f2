//go:build !linux

package sql

import "errors"

func landlockVersion() int { return 0 }

// lockIn cannot confine the process here.
func lockIn(s settings) (string, error) {
	if s.Fence != FencePreferred {
		return "", noFence
	}
	words, _ := Fence()
	return words, nil
}

// memoryOf is not known here: only DuckDB's own limit holds.
func memoryOf(int) (int64, error) { return 0, errors.ErrUnsupported }
