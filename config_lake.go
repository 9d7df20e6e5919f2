package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"marginline/ingest/lake"
)

// forever is an age limit that is none.
const forever = "forever"

// minGrace is the shortest time that an unused file is kept in a lake that others may be reading.
const minGrace = 10 * time.Minute

// floor is what stays free on the disk. It was validated.
func (c *config) floor() lake.Floor {
	f, _ := lake.ParseFloor(c.Disk.Floor)
	return f
}

// limits are the age limits of the lake's tables.
func (c *config) limits() (l lake.Limits, err error) {
	for _, x := range []struct {
		key, text string
		to        *time.Duration
	}{{"readings", c.Retention.Readings, &l.Readings}, {"codes", c.Retention.Codes, &l.Codes}, {"reports", c.Retention.Reports, &l.Reports}} {
		if *x.to, err = parseAge(x.text); err != nil {
			return l, fmt.Errorf("%s: %w", x.key, err)
		}
	}
	return l, l.Validate()
}

// parseAge reads "forever" (0) or a number of days such as 800d.
func parseAge(s string) (time.Duration, error) {
	if s == forever {
		return 0, nil
	}
	n, ok := strings.CutSuffix(s, "d")
	days, err := strconv.Atoi(n)
	if !ok || err != nil || days < 1 || days > 100_000 {
		return 0, fmt.Errorf("%q: want forever, or days such as 800d", s)
	}
	return time.Duration(days) * 24 * time.Hour, nil
}
