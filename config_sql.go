package main

import (
	"fmt"
	"strconv"
	"strings"

	query "marginline/sql"
)

// engine is the limits of analysts' SQL; what they spill goes below temp.
func (c *config) engine(temp string) query.Config {
	process, _ := parseSize(c.SQL.Process)
	return query.Config{
		MemoryLimit: c.SQL.Memory, MaxProcess: process, TempSize: c.SQL.Temp, TempDir: temp, Threads: c.SQL.Threads,
		MaxRows: min(c.SQL.Rows, tableRows), MaxStream: c.SQL.Rows, Timeout: c.SQL.Timeout, Parallel: c.SQL.Parallel,
		Lake: lakeDir(*c), Fence: query.Policy(c.SQL.Fence),
	}
}

// parseSize reads a size such as 512MB or 3GiB as bytes.
func parseSize(s string) (int64, error) {
	units := []struct {
		name  string
		bytes float64
	}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}, {"KB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}}
	for _, u := range units {
		if n, ok := strings.CutSuffix(s, u.name); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(n), 64)
			if err == nil && v > 0 && v*u.bytes < 1<<62 {
				return int64(v * u.bytes), nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a size: want one such as 512MB or 3GiB", s)
}

// tableRows is the most rows of an answer that is aligned for people, which is held in memory.
const tableRows = 100_000
