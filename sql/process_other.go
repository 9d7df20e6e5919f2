//go:build !linux

package sql

import (
	"io"
	"os/exec"
)

func apart(*exec.Cmd) {}

func widen(io.Reader) {}
