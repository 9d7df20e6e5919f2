package sql

import (
	"errors"
	"fmt"
	"time"
)

// A Config is the limits of an Engine.
type Config struct {
	MemoryLimit string        // of DuckDB, as DuckDB writes sizes: "1GB". Results come on top of it
	Threads     int           // of DuckDB
	TempDir     string        // where DuckDB spills; "" = no spilling, a query over the limit fails
	MaxRows     int           // rows that Query keeps, then it says Truncated
	MaxStream   int           // rows that Stream passes on, then it says Truncated
	Timeout     time.Duration // of one query, waiting for its turn not included
	Parallel    int           // queries that run at the same time; the others wait
}

// DefaultConfig suits a small machine that also takes reports in.
func DefaultConfig() Config {
	return Config{
		MemoryLimit: "1GB",
		Threads:     2,
		MaxRows:     100_000,
		MaxStream:   10_000_000,
		Timeout:     time.Minute,
		Parallel:    2,
	}
}

// Validate says what is wrong with the limits, all at once.
func (c Config) Validate() error {
	var errs []error
	if c.MemoryLimit == "" {
		errs = append(errs, errors.New("sql: memory limit is empty: want a size such as 1GB"))
	}
	for _, n := range []struct {
		name  string
		value int
	}{{"threads", c.Threads}, {"max rows", c.MaxRows}, {"max stream", c.MaxStream}, {"parallel", c.Parallel}} {
		if n.value < 1 {
			errs = append(errs, fmt.Errorf("sql: %s is %d: want 1 or more", n.name, n.value))
		}
	}
	if c.Timeout <= 0 {
		errs = append(errs, fmt.Errorf("sql: timeout is %v: want more than zero", c.Timeout))
	}
	return errors.Join(errs...)
}
