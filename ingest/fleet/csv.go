package fleet

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// A column is one column of the roster file: how a cell is read into a unit, and written back.
type column struct {
	name  string
	read  func(u *Unit, cell string) error
	write func(u *Unit) string
}

// columns are in the order that WriteCSV uses.
var columns = []column{
	textColumn("unit", func(u *Unit) *string { return &u.Unit }, label),
	textColumn("vin", func(u *Unit) *string { return &u.VIN }, label),
	textColumn("device", func(u *Unit) *string { return &u.Device }, deviceName),
	textColumn("depot", func(u *Unit) *string { return &u.Depot }, label),
	textColumn("time_zone", func(u *Unit) *string { return &u.TimeZone }, timeZone),
	textColumn("engine_family", func(u *Unit) *string { return &u.EngineFamily }, nil),
	textColumn("fuel", func(u *Unit) *string { return &u.Fuel }, nil),
	textColumn("weight_class", func(u *Unit) *string { return &u.WeightClass }, weightClass),
	numberColumn("gvwr_kg", func(u *Unit) *float64 { return &u.GVWRKg }),
	textColumn("state", func(u *Unit) *string { return &u.State }, nil),
	numberColumn("tank_l", func(u *Unit) *float64 { return &u.TankL }),
	dateColumn("in_service_date", func(u *Unit) *time.Time { return &u.InService }),
	numberColumn("odometer_km", func(u *Unit) *float64 { return &u.OdometerKm }),
	numberColumn("engine_hours", func(u *Unit) *float64 { return &u.EngineHours }),
	numberColumn("pm_interval_km", func(u *Unit) *float64 { return &u.PMIntervalKm }),
	numberColumn("pm_interval_days", func(u *Unit) *float64 { return &u.PMIntervalDays }),
	numberColumn("pm_interval_hours", func(u *Unit) *float64 { return &u.PMIntervalHours }),
	dateColumn("pm_last_date", func(u *Unit) *time.Time { return &u.PMLast }),
	numberColumn("pm_last_km", func(u *Unit) *float64 { return &u.PMLastKm }),
	numberColumn("pm_last_hours", func(u *Unit) *float64 { return &u.PMLastHours }),
	dateColumn("inspection_due", func(u *Unit) *time.Time { return &u.InspectionDue }),
}

var deviceForm = regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`)

func deviceName(cell string) error {
	if !deviceForm.MatchString(cell) {
		return errors.New("want 1 to 64 of A-Z a-z 0-9 _ -")
	}
	return nil
}

// mostLabel is the longest name of a unit, a depot or a vehicle, in bytes.
const mostLabel = 128

// label takes a name as people write it: a line of text.
func label(cell string) error {
	if len(cell) > mostLabel || !utf8.ValidString(cell) || strings.ContainsFunc(cell, unicode.IsControl) {
		return fmt.Errorf("want at most %d bytes of UTF-8 in one line", mostLabel)
	}
	return nil
}

func timeZone(cell string) error {
	if _, err := time.LoadLocation(cell); err != nil || cell == "Local" {
		return errors.New("want a zone of the IANA time zone database, such as America/Chicago")
	}
	return nil
}

func weightClass(cell string) error {
	switch cell {
	case "light", "medium", "heavy":
		return nil
	}
	return errors.New("want light, medium or heavy")
}

func textColumn(name string, at func(*Unit) *string, check func(string) error) column {
	return column{name,
		func(u *Unit, cell string) error {
			if check != nil {
				if err := check(cell); err != nil {
					return err
				}
			}
			*at(u) = cell
			return nil
		},
		func(u *Unit) string { return *at(u) },
	}
}

func numberColumn(name string, at func(*Unit) *float64) column {
	return column{name,
		func(u *Unit, cell string) error {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
				return errors.New("want a number of at least 0, with a point for decimals")
			}
			*at(u) = v
			return nil
		},
		func(u *Unit) string {
			if math.IsNaN(*at(u)) {
				return ""
			}
			return strconv.FormatFloat(*at(u), 'f', -1, 64)
		},
	}
}

func dateColumn(name string, at func(*Unit) *time.Time) column {
	return column{name,
		func(u *Unit, cell string) error {
			for _, form := range []string{time.DateOnly, time.RFC3339} {
				if t, err := time.Parse(form, cell); err == nil {
					*at(u) = t.UTC()
					return nil
				}
			}
			return errors.New("want a date, such as 2026-03-02")
		},
		func(u *Unit) string {
			t := *at(u)
			switch {
			case t.IsZero():
				return ""
			case t.Equal(t.Truncate(24 * time.Hour)):
				return t.Format(time.DateOnly)
			}
			return t.Format(time.RFC3339)
		},
	}
}

// NewUnit is a unit of which only the name is known.
func NewUnit(name string) Unit {
	n := math.NaN()
	return Unit{Unit: name, GVWRKg: n, TankL: n, OdometerKm: n, EngineHours: n, PMIntervalKm: n, PMIntervalDays: n,
		PMIntervalHours: n, PMLastKm: n, PMLastHours: n}
}

// A RowError is one fault of a roster file.
type RowError struct {
	Line    int    // in the file, from 1; the header is a line too
	Unit    string // as far as known
	Column  string // "" where the row as a whole is at fault
	Problem string
	Kept    bool // the row is on the roster, without that cell
}

// Error says where, what, and what was kept.
func (e RowError) Error() string {
	s := fmt.Sprintf("line %d", e.Line)
	if e.Unit != "" {
		s += fmt.Sprintf(", unit %q", e.Unit)
	}
	if e.Column != "" {
		s += ", " + e.Column
	}
	s += ": " + e.Problem
	if e.Kept {
		return s + " (row kept without this cell)"
	}
	return s + " (row left out)"
}

// ReadCSV reads a roster: UTF-8, comma-separated (RFC 4180), a header row with the names of contract 2.2
// in any order and letter case; a byte order mark and either line end are fine. Columns it does not know
// go to Unit.Extra, columns that are not there stay absent. Faults of rows come as RowErrors, in file
// order, and the other rows are kept; the error is for a file that can't be a roster at all.
func ReadCSV(in io.Reader) (*Roster, []RowError, error) {
	rows := csv.NewReader(in)
	rows.FieldsPerRecord = -1
	rows.TrimLeadingSpace = true
	header, err := rows.Read()
	if errors.Is(err, io.EOF) {
		return nil, nil, errors.New("roster: empty file")
	}
	if err != nil {
		return nil, nil, fmt.Errorf("roster: header: %w", err)
	}
	known := map[string]*column{}
	for i := range columns {
		known[columns[i].name] = &columns[i]
	}
	names := map[string]bool{}
	for i, name := range header {
		if i == 0 {
			name = strings.TrimPrefix(name, "\uFEFF")
		}
		name = strings.TrimSpace(name)
		if lower := strings.ToLower(name); known[lower] != nil {
			name = lower
		}
		if name != "" && names[name] {
			return nil, nil, fmt.Errorf("roster: header: column %s comes twice", short(name))
		}
		header[i], names[name] = name, true
	}
	if !names["unit"] || !names["vin"] && !names["device"] {
		return nil, nil, fmt.Errorf("roster: header %s: want the columns unit and at least one of vin and device", short(strings.Join(header, ",")))
	}
	r := empty()
	var faults []RowError
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if bad, ok := errors.AsType[*csv.ParseError](err); ok {
			faults = append(faults, RowError{Line: bad.StartLine, Problem: bad.Err.Error()})
			continue
		}
		if err != nil {
			return nil, faults, fmt.Errorf("roster: %w", err)
		}
		line, _ := rows.FieldPos(0)
		u, bad := readRow(header, known, row, line)
		if u == nil {
			faults = append(faults, bad...)
			continue
		}
		if err := r.add(*u); err != nil {
			for i := range bad {
				bad[i].Kept = false
			}
			bad = append(bad, RowError{Line: line, Unit: u.Unit, Problem: strings.TrimPrefix(err.Error(), fmt.Sprintf("unit %q: ", u.Unit))})
		}
		faults = append(faults, bad...)
	}
	r.sort()
	return r, faults, nil
}

// short quotes what was given, so that a message stays one that can be read.
func short(s string) string {
	if len(s) > 2*mostLabel {
		return fmt.Sprintf("%q and %d bytes more", s[:mostLabel], len(s)-mostLabel)
	}
	return fmt.Sprintf("%q", s)
}

// readRow turns one row into a unit; nil for a row that is blank or too long.
func readRow(header []string, known map[string]*column, row []string, line int) (*Unit, []RowError) {
	u := NewUnit("")
	var faults []RowError
	blank := true
	for i, cell := range row {
		cell = strings.TrimSpace(cell)
		if cell == "" {
			continue
		}
		blank = false
		switch {
		case i >= len(header):
			return nil, []RowError{{Line: line, Unit: u.Unit, Problem: fmt.Sprintf("%d cells for %d columns: a comma inside a cell needs quotes around the cell", len(row), len(header))}}
		case known[header[i]] != nil:
			if err := known[header[i]].read(&u, cell); err != nil {
				faults = append(faults, RowError{Line: line, Column: header[i], Problem: fmt.Sprintf("%s: %v", short(cell), err), Kept: true})
			}
		case header[i] != "":
			if u.Extra == nil {
				u.Extra = map[string]string{}
			}
			u.Extra[header[i]] = cell
		}
	}
	if blank {
		return nil, nil
	}
	for i := range faults {
		faults[i].Unit = u.Unit
	}
	return &u, faults
}

// WriteCSV writes the roster with every known column, then the unknown ones in alphabetical order.
// ReadCSV reads it back to the same roster.
func (r *Roster) WriteCSV(out io.Writer) error {
	extra := map[string]bool{}
	for _, u := range r.Units() {
		for name := range u.Extra {
			extra[name] = true
		}
	}
	more := slices.Sorted(maps.Keys(extra))
	var row []string
	for _, c := range columns {
		row = append(row, c.name)
	}
	w := csv.NewWriter(out)
	w.Write(append(row, more...))
	for _, u := range r.Units() {
		row = row[:0]
		for _, c := range columns {
			row = append(row, c.write(u))
		}
		for _, name := range more {
			row = append(row, u.Extra[name])
		}
		w.Write(row)
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("roster: %w", err)
	}
	return nil
}
