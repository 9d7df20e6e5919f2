package sql

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"time"
)

// A Config is the limits of an Engine. Open takes the default for what is zero, TempDir aside.
type Config struct {
	MemoryLimit string        // of DuckDB, as DuckDB writes sizes: "1GB". Results come on top of it
	Threads     int           // of DuckDB
	TempDir     string        // each worker gets a folder of its own in it; "" = the system's
	MaxRows     int           // rows that Query keeps, then it says Truncated
	MaxStream   int           // rows that Stream passes on, then it says Truncated; DuckDB holds them in memory first, uncounted
	MaxProcess  int64         // bytes of a worker process as a whole, what DuckDB does not count included; over it the process is killed
	TempSize    string        // what DuckDB may spill, as it writes sizes
	Timeout     time.Duration // of one query, waiting for its turn not included
	Parallel    int           // queries that run at the same time; the others wait
	Lake        string        // the only folder, beside its own, that a worker may read
	Fence       Policy        // what is wanted of the kernel
	Command     []string      // starts a worker: a program that calls Worker; nil = this program with the argument WorkerCommand
}

// WorkerCommand is the hidden command of this program that runs a worker.
const WorkerCommand = "sql-worker"

// DefaultConfig suits a small machine that also takes reports in.
func DefaultConfig() Config {
	return Config{
		MemoryLimit: "1GB",
		Threads:     2,
		MaxRows:     100_000,
		MaxStream:   1_000_000,
		MaxProcess:  3 << 30,
		TempSize:    "4GB",
		Timeout:     time.Minute,
		Parallel:    2,
		Fence:       FenceRequired,
	}
}

// Validate says what is wrong with the limits, all at once.
func (c Config) Validate() error {
	var errs []error
	for _, n := range []struct {
		name  string
		value int
	}{{"threads", c.Threads}, {"max rows", c.MaxRows}, {"max stream", c.MaxStream}, {"parallel", c.Parallel}} {
		if n.value < 0 {
			errs = append(errs, fmt.Errorf("sql: %s is %d: want 1 or more", n.name, n.value))
		}
	}
	for _, s := range []struct{ name, value string }{{"memory limit", c.MemoryLimit}, {"temp size", c.TempSize}} {
		if s.value != "" && !size.MatchString(s.value) {
			errs = append(errs, fmt.Errorf("sql: %s is %q: want a size such as 1GB or 512MB", s.name, s.value))
		}
	}
	if c.MaxProcess < 0 || c.MaxProcess > 0 && c.MaxProcess < 128<<20 {
		errs = append(errs, fmt.Errorf("sql: max process is %d: want at least %d", c.MaxProcess, 128<<20))
	}
	if c.Fence != "" && c.Fence != FenceRequired && c.Fence != FencePreferred {
		errs = append(errs, fmt.Errorf("sql: fence is %q: want %s or %s", c.Fence, FenceRequired, FencePreferred))
	}
	if c.Timeout < 0 {
		errs = append(errs, fmt.Errorf("sql: timeout is %v: want more than zero", c.Timeout))
	}
	return errors.Join(errs...)
}

var size = regexp.MustCompile(`(?i)^[0-9]+(\.[0-9]+)? ?[KMGT]i?B$`)

func (c Config) orDefault() Config {
	d := DefaultConfig()
	return Config{
		MemoryLimit: cmp.Or(c.MemoryLimit, d.MemoryLimit),
		Threads:     cmp.Or(c.Threads, d.Threads),
		TempDir:     c.TempDir,
		MaxRows:     cmp.Or(c.MaxRows, d.MaxRows),
		MaxStream:   cmp.Or(c.MaxStream, d.MaxStream),
		MaxProcess:  cmp.Or(c.MaxProcess, d.MaxProcess),
		TempSize:    cmp.Or(c.TempSize, d.TempSize),
		Timeout:     cmp.Or(c.Timeout, d.Timeout),
		Parallel:    cmp.Or(c.Parallel, d.Parallel),
		Lake:        c.Lake,
		Fence:       cmp.Or(c.Fence, d.Fence),
		Command:     c.Command,
	}
}
