package shop

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Columns are those of a file of facts. kind and date are needed, and unit but for parts.
var Columns = []string{"kind", "unit", "date", "by", "text", "level", "family", "symptom", "device", "depot", "part", "quantity", "odometer_km", "engine_hours", "until", "ecu"}

// A RowError is one row of a file that was left out.
type RowError struct {
	Line    int
	Column  string // "" where the row as a whole is at fault
	Problem string
}

func (e RowError) Error() string {
	s := fmt.Sprintf("line %d", e.Line)
	if e.Column != "" {
		s += ", " + e.Column
	}
	return s + ": " + e.Problem + " (row left out)"
}

// ReadCSV reads facts: UTF-8, comma-separated (RFC 4180), a header with the names of Columns in any order.
// by stands for rows that name nobody. known says whether a unit is on the roster; nil knows all. Rows at
// fault come as RowErrors in the order of the file, the others are facts; the error is for a file that
// cannot be one.
func ReadCSV(in io.Reader, by string, now time.Time, known func(unit string) bool) ([]Fact, []RowError, error) {
	rows := csv.NewReader(in)
	rows.FieldsPerRecord = -1
	rows.TrimLeadingSpace = true
	header, err := rows.Read()
	if errors.Is(err, io.EOF) {
		return nil, nil, errors.New("shop facts: empty file")
	}
	if err != nil {
		return nil, nil, fmt.Errorf("shop facts: header: %w", err)
	}
	header[0] = strings.TrimPrefix(header[0], "\uFEFF")
	for i, name := range header {
		header[i] = strings.ToLower(strings.TrimSpace(name))
		if !slices.Contains(Columns, header[i]) {
			return nil, nil, fmt.Errorf("shop facts: header: column %q is none of %s", name, strings.Join(Columns, ", "))
		}
		if slices.Contains(header[:i], header[i]) {
			return nil, nil, fmt.Errorf("shop facts: header: column %q comes twice", name)
		}
	}
	for _, name := range []string{"kind", "date"} {
		if !slices.Contains(header, name) {
			return nil, nil, fmt.Errorf("shop facts: header: column %s is needed", name)
		}
	}
	var facts []Fact
	var faults []RowError
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return facts, faults, nil
		}
		if bad, ok := errors.AsType[*csv.ParseError](err); ok {
			faults = append(faults, RowError{Line: bad.StartLine, Problem: bad.Err.Error()})
			continue
		}
		if err != nil {
			return facts, faults, fmt.Errorf("shop facts: %w", err)
		}
		line, _ := rows.FieldPos(0)
		f := Fact{By: by}
		if bad := f.row(header, row); bad != nil {
			bad.Line = line
			faults = append(faults, *bad)
			continue
		}
		if err := f.Check(now); err != nil {
			faults = append(faults, RowError{Line: line, Problem: strings.ReplaceAll(err.Error(), "\n", "; ")})
			continue
		}
		if f.Unit != "" && known != nil && !known(f.Unit) {
			faults = append(faults, RowError{Line: line, Column: "unit", Problem: fmt.Sprintf("%q is not on the roster", f.Unit)})
			continue
		}
		facts = append(facts, f)
	}
}

func (f *Fact) row(header, row []string) *RowError {
	if len(row) > len(header) {
		return &RowError{Problem: fmt.Sprintf("%d cells for %d columns: a comma inside a cell needs quotes around the cell", len(row), len(header))}
	}
	for i, cell := range row {
		if cell = strings.TrimSpace(cell); cell == "" {
			continue
		}
		if err := f.Set(header[i], cell); err != nil {
			return &RowError{Column: header[i], Problem: fmt.Sprintf("%q: %v", cell, err)}
		}
	}
	return nil
}

// SetAll sets the columns for which value gives more than blanks, as a form or a command does. The error names the first
// cell that was not taken.
func (f *Fact) SetAll(value func(column string) string) error {
	for _, c := range Columns {
		if cell := strings.TrimSpace(value(c)); cell != "" {
			if err := f.Set(c, cell); err != nil {
				return fmt.Errorf("%s %q: %w", c, cell, err)
			}
		}
	}
	return nil
}

// Set fills one field by the name of its column, as a file or a form gives it.
func (f *Fact) Set(column, cell string) error {
	text := map[string]*string{"unit": &f.Unit, "by": &f.By, "text": &f.Text, "level": &f.Level, "family": &f.Family, "symptom": &f.Symptom,
		"device": &f.Device, "ecu": &f.ECU, "depot": &f.Depot, "part": &f.Part}
	number := map[string]**float64{"quantity": &f.Quantity, "odometer_km": &f.OdometerKm, "engine_hours": &f.EngineHours}
	switch {
	case column == "kind":
		f.Kind = Kind(strings.ToLower(cell))
	case column == "date" || column == "until":
		for _, form := range []string{time.DateOnly, time.RFC3339, "2006-01-02T15:04"} {
			t, err := time.Parse(form, cell)
			switch {
			case err != nil:
			case column == "date":
				f.At = t.UTC()
				return nil
			default:
				t = t.UTC()
				f.Until = &t
				return nil
			}
		}
		return errors.New("want a date, such as 2026-03-02, or a time such as 2026-03-02T06:14:09Z")
	case text[column] != nil:
		*text[column] = cell
	case number[column] != nil:
		v, err := strconv.ParseFloat(cell, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("want a number with a point for decimals")
		}
		*number[column] = &v
	default:
		return fmt.Errorf("no column %q", column)
	}
	return nil
}
