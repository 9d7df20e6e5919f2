package sql

// SetBare makes this process a worker that judges nothing.
func SetBare() { bare = true }

// Pids are the processes of the idle workers.
func (e *Engine) Pids() (out []int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, p := range e.idle {
		out = append(out, p.cmd.Process.Pid)
	}
	return out
}
