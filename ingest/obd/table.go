package obd

import (
	"embed"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"

	"marginline/ingest/series"
)

//go:embed tables/*.csv
var tables embed.FS

// A unit is one unit-and-scaling id: value = raw*scale + offset.
type unit struct {
	known, signed bool
	ratio         bool          // zero is a real zero, so that a share of a limit has a meaning
	coding        series.Coding // Signed or Unsigned
	wrap          int32         // 8000 where it is a sign bit, else 0
	scale, offset float64
	ucum          string
	quantity      string
}

// judged fills what follows from sign and offset.
func (u unit) judged() unit {
	u.ratio = !u.signed && u.offset == 0
	if u.signed {
		u.coding, u.wrap = series.Signed, 0x8000
	}
	return u
}

// A monitor is one on-board monitor id of CAN.
type monitor struct {
	name, family, codes, worsening string
	group                          int // of readiness, groupNone for none
}

// A test is one standard test id of CAN and, for oxygen sensors, of service 05.
type test struct{ name, family, worsening string }

// A slot is one scaling of SAE J1939-71. known is false where only the name is.
type slot struct {
	known         bool
	name          string
	scale, offset float64
	unit          string
	doubtful      bool // the unit is not confirmed
}

// An spn is one suspect parameter number that results or codes hang on.
type spn struct {
	name, family string
	group        int
}

// The tables, read once. A row that cannot be read is an error of the program, not of input, and stops
// it at start.
var (
	units    = must(readUnits())
	monitors = must(readMonitors())
	tests    = must(readTests())
	slots    = must(readSlots())
	spns     = must(readSPNs())
	families = must(readFamilies())
)

func must[T any](v T, err error) T {
	if err != nil {
		panic("obd: " + err.Error())
	}
	return v
}

// each calls f for every row of a table, which must have exactly these columns.
func each(name, columns string, f func(row []string) error) error {
	file, err := tables.Open("tables/" + name + ".csv")
	if err != nil {
		return err
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if got := strings.Join(rows[0], ","); got != columns {
		return fmt.Errorf("%s: columns %q, want %q", name, got, columns)
	}
	for i, row := range rows[1:] {
		if err := f(row); err != nil {
			return fmt.Errorf("%s, row %d: %w", name, i+1, err)
		}
	}
	return nil
}

// span reads a hex id or a range of hex ids such as 11-1F.
func span(s string) (from, to int, err error) {
	a, b, isRange := strings.Cut(s, "-")
	if !isRange {
		b = a
	}
	lo, err := strconv.ParseUint(a, 16, 8)
	if err != nil {
		return 0, 0, err
	}
	hi, err := strconv.ParseUint(b, 16, 8)
	if err == nil && hi < lo {
		err = fmt.Errorf("%q is no range", s)
	}
	return int(lo), int(hi), err
}

// scaling reads scale and offset.
func scaling(scale, offset string) (s, o float64, err error) {
	if s, err = strconv.ParseFloat(scale, 64); err != nil {
		return
	}
	if s <= 0 {
		return 0, 0, fmt.Errorf("scale %q is not positive", scale)
	}
	o, err = strconv.ParseFloat(offset, 64)
	return
}

// readUnits gives all 256 ids; those that the standard does not assign have the sign of bit 7, scale 1,
// offset 0 and unit 1.
func readUnits() (*[256]unit, error) {
	var all [256]unit
	for i := range all {
		all[i] = unit{signed: i&0x80 != 0, scale: 1, ucum: "1", quantity: "raw counts"}.judged()
	}
	return &all, each("units", "id,signed,scale,offset,ucum,quantity,confidence,source", func(row []string) error {
		id, _, err := span(row[0])
		if err != nil {
			return err
		}
		u := unit{known: true, signed: row[1] == "1", ucum: row[4], quantity: row[5]}
		if u.signed != (id&0x80 != 0) {
			return fmt.Errorf("id %s: sign is not that of bit 7", row[0])
		}
		u.scale, u.offset, err = scaling(row[2], row[3])
		all[id] = u.judged()
		return err
	})
}

func readMonitors() (*[256]monitor, error) {
	var all [256]monitor
	for i := range all {
		all[i] = monitor{family: unknown, group: groupNone}
	}
	return &all, each("monitors", "id,name,family,codes,worsening,confidence,source", func(row []string) error {
		from, to, err := span(row[0])
		for id := from; err == nil && id <= to; id++ {
			all[id] = monitor{row[1], row[2], row[3], row[4], groupOf(row[2])}
		}
		return err
	})
}

func readTests() (*[256]test, error) {
	var all [256]test
	return &all, each("tests", "id,name,family,worsening,confidence,source", func(row []string) error {
		from, to, err := span(row[0])
		for id := from; err == nil && id <= to; id++ {
			all[id] = test{row[1], row[2], row[3]}
		}
		return err
	})
}

func readSlots() (map[int32]slot, error) {
	all := map[int32]slot{}
	return all, each("slots", "id,name,bytes,scale,offset,unit,quantity,confidence,source", func(row []string) error {
		id, err := strconv.Atoi(row[0])
		if err != nil {
			return err
		}
		s := slot{name: row[1], scale: 1, unit: "1"}
		if row[3] != "" {
			s.known, s.unit, s.doubtful = true, row[5], row[7] == "low"
			if s.scale, s.offset, err = scaling(row[3], row[4]); err != nil {
				return err
			}
		}
		all[int32(id)] = s
		return nil
	})
}

func readSPNs() (map[int32]spn, error) {
	all := map[int32]spn{}
	return all, each("spns", "spn,name,family,group,source", func(row []string) error {
		id, err := strconv.Atoi(row[0])
		if err != nil {
			return err
		}
		group, err := strconv.Atoi(row[3])
		if err == nil && (group < 0 || group >= groupCount) {
			err = fmt.Errorf("no group %d", group)
		}
		all[int32(id)] = spn{row[1], row[2], group}
		return err
	})
}
