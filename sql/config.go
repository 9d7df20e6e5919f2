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
	TempDir     string        // where DuckDB spills; "" = no spilling, a query over the limit fails
	MaxRows     int           // rows that Query keeps, then it says Truncated
	MaxStream   int           // rows that Stream passes on, then it says Truncated; DuckDB holds them in memory first, uncounted
	Timeout     time.Duration // of one query, waiting for its turn not included
	Parallel    int           // queries that run at the same time; the others wait
}

// DefaultConfig suits a small machine that also takes reports in.
func DefaultConfig() Config {
	return Config{
		MemoryLimit: "1GB",
		Threads:     2,
		MaxRows:     100_000,
		MaxStream:   1_000_000,
		Timeout:     time.Minute,
		Parallel:    2,
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
	if c.MemoryLimit != "" && !size.MatchString(c.MemoryLimit) {
		errs = append(errs, fmt.Errorf("sql: memory limit is %q: want a size such as 1GB or 512MB", c.MemoryLimit))
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
		Timeout:     cmp.Or(c.Timeout, d.Timeout),
		Parallel:    cmp.Or(c.Parallel, d.Parallel),
	}
}
