package sql

import (
	"io"
	"os"
	"os/exec"
	"syscall"

	"golang.org/x/sys/unix"
)

// apart keeps a Ctrl-C at the terminal from the worker: the service ends it in its own time.
func apart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

// widen makes the pipe of answers hold a whole frame, where the system allows it.
func widen(r io.Reader) {
	if f, ok := r.(*os.File); ok {
		_, _ = unix.FcntlInt(f.Fd(), unix.F_SETPIPE_SZ, 1<<20)
	}
}
