package shop

import (
	"fmt"
	"time"
)

// A Day is a calendar day without a zone, counted from 1 January 1970. The schedule thinks in days of the
// depot; an instant becomes a Day only with the depot's zone.
type Day int

// DayOf is the calendar day of an instant in a zone.
func DayOf(t time.Time, zone *time.Location) Day {
	y, m, d := t.In(zone).Date()
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// ParseDay reads a day such as 2026-05-25.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("%q is no day such as 2026-05-25", s)
	}
	return DayOf(t, time.UTC), nil
}

// Time is the first instant of the day in a zone.
func (d Day) Time(zone *time.Location) time.Time {
	y, m, day := d.utc().Date()
	return time.Date(y, m, day, 0, 0, 0, 0, zone)
}

func (d Day) utc() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// Weekday is the day of the week.
func (d Day) Weekday() time.Weekday { return time.Weekday((int(d)%7 + 11) % 7) } // day 0 was a Thursday

func (d Day) String() string { return d.utc().Format(time.DateOnly) }

// Words is the day for people.
func (d Day) Words() string { return d.utc().Format("Mon 2 Jan 2006") }

// MarshalText writes 2026-05-25.
func (d Day) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads 2026-05-25.
func (d *Day) UnmarshalText(b []byte) (err error) {
	*d, err = ParseDay(string(b))
	return err
}
