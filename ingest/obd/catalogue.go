package obd

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"marginline/ingest/series"
)

// A Catalogue gives meaning to tests that the maker defines: a name, and on older buses (and for unit ids
// and SLOTs that are not assigned) scale, offset, unit and sign. It is read-only after ParseCatalogue.
type Catalogue struct {
	rows   map[catalogueKey]*entry
	family string
}

type catalogueKey struct{ applies, test string }

type entry struct {
	name, unit    string
	family        string // of the monitor table; "" when not given
	scale, offset float64
	signed        bool
}

// Columns of a catalogue; all but the first two may be empty or missing.
const catalogueColumns = "applies_to,test,component,name,scale,offset,unit,signed,family"

// ParseCatalogue reads a catalogue: CSV with the header
//
//	applies_to,test,component,name,scale,offset,unit,signed,family
//
// applies_to is a calibration id, an engine family, or * for every vehicle. test is a test id of an older
// bus in hex with component in hex (empty for any), or a canonical key such as m21.t89 or s3242.f16.t247.
// value = raw*scale + offset; scale is 1 and offset 0 when empty; unit is a UCUM code; signed is 1 for
// two's complement; family is one of the monitor table, such as evap. Other columns are ignored.
func ParseCatalogue(r io.Reader) (*Catalogue, error) {
	cr := csv.NewReader(r)
	cr.FieldsPerRecord, cr.TrimLeadingSpace = -1, true
	head, err := cr.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("test catalogue: empty, want the header " + catalogueColumns)
	}
	if err != nil {
		return nil, fmt.Errorf("test catalogue: %w", err)
	}
	column := map[string]int{}
	for i, name := range head {
		column[strings.ToLower(strings.TrimSpace(strings.TrimPrefix(name, "\ufeff")))] = i
	}
	for _, need := range []string{"applies_to", "test"} {
		if _, ok := column[need]; !ok {
			return nil, fmt.Errorf("test catalogue: no column %q", need)
		}
	}
	c := &Catalogue{rows: map[catalogueKey]*entry{}}
	for {
		row, err := cr.Read()
		if errors.Is(err, io.EOF) {
			return c, nil
		}
		if err != nil {
			return nil, fmt.Errorf("test catalogue: %w", err)
		}
		get := func(name string) string {
			if i, ok := column[name]; ok && i < len(row) {
				return strings.TrimSpace(row[i])
			}
			return ""
		}
		line, _ := cr.FieldPos(0)
		if err := c.add(get); err != nil {
			return nil, fmt.Errorf("test catalogue, line %d: %w", line, err)
		}
	}
}

func (c *Catalogue) add(get func(string) string) error {
	e := &entry{name: get("name"), unit: get("unit"), family: get("family"), scale: 1}
	var err error
	if e.family != "" && groupOf(e.family) == groupNone {
		return fmt.Errorf("family %q is none of the monitor table", e.family)
	}
	if s := get("scale"); s != "" {
		if e.scale, err = strconv.ParseFloat(s, 64); err != nil || !(e.scale > 0) || e.scale > 1e300 {
			return fmt.Errorf("scale %q is not a positive number", s)
		}
	}
	if s := get("offset"); s != "" {
		if e.offset, err = strconv.ParseFloat(s, 64); err != nil || e.offset-e.offset != 0 {
			return fmt.Errorf("offset %q is not a number", s)
		}
	}
	switch s := strings.ToLower(get("signed")); s {
	case "1", "true", "yes":
		e.signed = true
	case "", "0", "false", "no":
	default:
		return fmt.Errorf("signed %q: want 1 or 0", s)
	}
	if e.unit == "" {
		e.unit = "1"
	}
	k := catalogueKey{applies: get("applies_to"), test: strings.ToLower(get("test"))}
	if k.applies == "" || k.test == "" {
		return errors.New("applies_to and test must be given")
	}
	if !strings.Contains(k.test, ".") {
		tid, err := strconv.ParseUint(strings.TrimPrefix(k.test, "$"), 16, 8)
		if err != nil {
			return fmt.Errorf("test %q is no hex id and no key such as m21.t89", k.test)
		}
		k.test = fmt.Sprintf("t%02x", tid)
		if s := strings.TrimPrefix(get("component"), "$"); s != "" {
			cid, err := strconv.ParseUint(s, 16, 8)
			if err != nil {
				return fmt.Errorf("component %q is no hex id", s)
			}
			k.test += fmt.Sprintf(".c%02x", cid&componentMask)
		}
	}
	if c.rows[k] != nil {
		return fmt.Errorf("%s %s is named twice", k.applies, k.test)
	}
	c.rows[k] = e
	return nil
}

// For is the catalogue as it applies to vehicles of an engine family.
func (c *Catalogue) For(family string) *Catalogue {
	if c == nil {
		return nil
	}
	return &Catalogue{rows: c.rows, family: family}
}

func (c *Catalogue) empty() bool { return len(c.rows) == 0 }

// find looks for the calibration first, then for the engine family, then for every vehicle; in each for
// the test with its component before the test alone.
func (c *Catalogue) find(calIDs []string, r *series.Result) *entry {
	look := func(applies string) *entry {
		if applies == "" {
			return nil
		}
		if e := c.rows[catalogueKey{applies, r.Test}]; e != nil {
			return e
		}
		if r.CID != series.None {
			if test, _, ok := strings.Cut(r.Test, "."); ok {
				return c.rows[catalogueKey{applies, test}]
			}
		}
		return nil
	}
	for _, id := range append(calIDs[:len(calIDs):len(calIDs)], c.family, "*") {
		if e := look(id); e != nil {
			return e
		}
	}
	return nil
}

// Family gives the family of a result as the function Family does, and where that is unknown or the maker's
// own the one that the catalogue names. A nil catalogue names none.
func (c *Catalogue) Family(r *series.Result) string {
	family := Family(r)
	if c == nil || groupOf(family) != groupNone {
		return family
	}
	if e := c.find(strings.Split(r.CalID, "+"), r); e != nil && e.family != "" {
		return e.family
	}
	return family
}

// apply gives a result what the catalogue says, if anything. Where the standard has a unit, only the name is taken.
func (d *decoder) apply(r *series.Result, it *Item, n *node) bool {
	e := d.cat.find(n.calIDs, r)
	if e == nil {
		return false
	}
	it.Name, d.mixed = e.name, true
	switch {
	case r.CID != series.None:
		r.Coding = series.OlderBus
		if e.signed {
			r.Coding = series.OlderSigned
			for _, p := range []*int32{&r.Raw.Value, &r.Raw.Min, &r.Raw.Max} {
				if *p != series.None {
					*p = int32(int16(*p))
				}
			}
		}
		r.UnitOfMeasure = e.unit
		r.Measure(e.scale, e.offset, e.offset == 0 && !e.signed)
	case r.UAS != series.None && !unitOf(r.UAS).known:
		r.UnitOfMeasure = e.unit
		r.Measure(e.scale, e.offset, e.offset == 0 && r.Coding == series.Unsigned)
	case r.Slot != series.None && !slots[r.Slot].known:
		r.UnitOfMeasure = e.unit
		r.Measure(e.scale, e.offset, e.offset == 0)
	}
	return true
}
