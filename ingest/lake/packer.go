package lake

import (
	"math"
	"slices"
	"sync"

	"marginline/ingest/series"
)

// A packer packs one column of sorted rows into the column chunks of a file, one row group after the other: here it finds
// the place of each row's value in a dictionary, in chunk.go it encodes them.
//
// Most values of a row repeat those of the row before, or of the same test in the report before, and that is seen with
// one comparison; where a whole report repeats the tests and limits of the one before, with none. arrow's own writers box
// and hash every value, and their way from places to bytes takes several times as long. What a packer made for a row
// group it uses again for the next.
type packer struct {
	c      *column
	spaced []int32 // for each row its value's place in the dictionary, or none; of flags 0 or 1

	texts dictionary[string]
	nums  dictionary[int32]
	longs dictionary[int64]  // times too, as stored
	reals dictionary[uint64] // as bits

	chunk chunk
}

// packerSets are packers that no encoder uses: a flush takes those of one before.
var packerSets = sync.Pool{New: func() any { return new([]packer) }}

// packersOf gives packers for the columns of a table in a form.
func packersOf(s *spec, f form) []packer {
	packers := *packerSets.Get().(*[]packer)
	for len(packers) < len(s.columns) {
		packers = append(packers, packer{})
	}
	packers = packers[:len(s.columns)]
	for i := range packers {
		p, c := &packers[i], &s.columns[i]
		p.c = c
		p.nums.loose, p.longs.loose, p.reals.loose = c.bare(f.codec), c.bare(f.codec), c.bare(f.codec)
	}
	return packers
}

// keepPackers gives back the packers of an encoder that is done, without what they refer to.
func keepPackers(e *encoder) {
	kept := e.packers
	e.packers = nil
	for i := range kept {
		kept[i].begin(0)
	}
	packerSets.Put(&kept)
}

// none is the place of what is missing.
const none = int32(-1)

// begin makes a packer ready for a row group.
func (l *packer) begin(n int) {
	l.spaced = slices.Grow(l.spaced[:0], n)[:n]
	if n > 0 {
		l.spaced[0] = none // its own twin
	}
	l.texts.reset()
	l.nums.reset()
	l.longs.reset()
	l.reals.reset()
}

// take takes the reports from to to of a layout.
func (l *packer) take(rows []row, o *layout, from, to int) {
	switch {
	case l.c.report:
		for i := from; i < to; i++ {
			first, end := o.reports[i], o.reports[i+1]
			l.rows(rows, o.twin, first, first+1)
			at := l.spaced[first]
			same := l.spaced[first+1 : end]
			for k := range same {
				same[k] = at
			}
		}
	case l.c.test:
		for i := from; i < to; i++ {
			first, end := o.reports[i], o.reports[i+1]
			if o.alike[i] {
				copy(l.spaced[first:end], l.spaced[o.twin[first]:])
			} else {
				l.rows(rows, o.twin, first, end)
			}
		}
	default:
		l.rows(rows, o.twin, o.reports[from], o.reports[to])
	}
}

// rows finds the places of some rows' values.
func (l *packer) rows(rows []row, twin []int32, from, to int32) {
	c, spaced := l.c, l.spaced
	switch {
	case c.text != nil:
		for k := from; k < to; k++ {
			v := c.text.of(&rows[k])
			if v == "" && !c.required {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.texts.values[g] == v {
				spaced[k] = g
			} else {
				spaced[k] = l.texts.at(v, clean)
			}
		}
	case c.num != nil:
		for k := from; k < to; k++ {
			v := c.num.of(&rows[k])
			if v == series.None && !c.required {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.nums.values[g] == v {
				spaced[k] = g
			} else {
				spaced[k] = l.nums.at(v, nil)
			}
		}
	case c.real != nil:
		for k := from; k < to; k++ {
			v := c.real.of(&rows[k])
			if bits := math.Float64bits(v); v != v {
				spaced[k] = none
			} else if g := spaced[twin[k]]; g >= 0 && l.reals.values[g] == bits {
				spaced[k] = g
			} else {
				spaced[k] = l.reals.at(bits, nil)
			}
		}
	case c.flag != nil:
		for k := from; k < to; k++ {
			v := c.flag.of(&rows[k])
			switch {
			case v == series.True:
				spaced[k] = 1
			case v == series.Unknown && !c.required:
				spaced[k] = none
			default:
				spaced[k] = 0
			}
		}
	case c.long != nil:
		for k := from; k < to; k++ {
			spaced[k] = l.longs.at(c.long.of(&rows[k]), nil)
		}
	default:
		for k := from; k < to; k++ {
			if v := c.when.of(&rows[k]); v.IsZero() && !c.required {
				spaced[k] = none
			} else {
				spaced[k] = l.longs.at(micros(v), nil)
			}
		}
	}
}
