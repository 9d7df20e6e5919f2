package obd

import (
	"slices"

	"marginline/ingest/series"
)

// A block is the results of one message: n of them from first on, shown by the items from item on.
type block struct {
	first, item, n, node int
	index                int // of the message
	from                 origin
}

// An origin is a sender: how many digits its id has, above the id. Equal origins have equal names.
type origin uint64

// A control unit sends the same tests with the same limits poll after poll, so a decoder that is used again
// remembers what its rows are of: when a record names the test, the unit and the limits that the row at its place
// already has, from the same sender, only what follows from the value is written, and nothing where the value is the
// same: most results are held from an earlier poll.
//
// This is safe because the decoder alone writes rows, as it asks of whoever reads them, and forgets a row whenever
// it writes one in another way: a result of another form (result), a row that a test catalogue scales (apply), rows
// that move (drop) or whose memory does (results). What finish adds to a row from other messages is marked, and
// taken back when the row is used again.
type memory struct {
	rows  []remembered // by index, as many as there is room for results; nil in the first report
	shown []block      // of the report before, when its items are all as results made them; none otherwise
}

// A remembered row: test, unit and limits of the record it was made of, and who sent it. The zero value is of no
// record, since no monitor id is zero.
type remembered struct {
	key  uint64 // test, unit, 00, monitor, minimum, maximum from the high byte down
	from origin
	told bool // finish has set CalID, Done and Runs
}

// remember makes ready for the next report. Who decodes one report only pays nothing for it.
func (d *decoder) remember() {
	m := &d.memory
	if n := cap(d.rep.results); d.blocks != nil && len(m.rows) != n {
		m.rows = make([]remembered, n)
	}
	if m.shown = m.shown[:0]; !d.mixed && !d.moved {
		m.shown = append(m.shown, d.blocks...)
	}
}

// forget is called when rows have moved.
func (m *memory) forget() {
	clear(m.rows)
	m.shown = m.shown[:0]
}

// forgetRow is called when a row is written otherwise than from its record.
func (m *memory) forgetRow(i int) {
	if i < len(m.rows) {
		m.rows[i] = remembered{}
	}
}

// tell marks the rows of a block as told more than their records say.
func (d *decoder) tell(k block) {
	if len(d.memory.rows) == 0 {
		return
	}
	rows := d.memory.rows[k.first:][:k.n]
	for i := range rows {
		rows[i].told = true
	}
}

// results adds n test results of the message at hand and their items. What a result held before is still
// there: the caller sets every field, or knows from what is remembered of each, which is as long or nil, that it is
// there.
func (d *decoder) results(n int) ([]series.Result, []remembered) {
	rep := d.rep
	first, item := len(rep.results), len(rep.Items)
	if first+n > cap(rep.results) {
		rep.results = slices.Grow(rep.results, n)
		d.moved, d.memory.rows = true, nil
	}
	if item+n > cap(rep.Items) {
		rep.Items = slices.Grow(rep.Items, n)
	}
	rep.results, rep.Items = rep.results[:first+n], rep.Items[:item+n]
	rows := rep.results[first:]
	var known []remembered
	if d.memory.rows != nil {
		known = d.memory.rows[first:][:n]
	}
	k := block{first, item, n, d.node, d.index, d.from}
	i := len(d.blocks)
	d.blocks = append(d.blocks, k)
	// Where the report before had the same block at the same place, its items are there already: nobody else writes
	// that place while there are results only, and memory that grew had no such place.
	if !d.mixed && i < len(d.memory.shown) && d.memory.shown[i] == k {
		return rows, known
	}
	items := rep.Items[item:]
	index, ecu := d.index, d.ecu
	for i := range rows {
		it := &items[i]
		it.Message, it.Kind, it.ECU, it.Result = index, KindResult, ecu, &rows[i]
	}
	return rows, known
}

// result adds one test result in which only the responder is set.
func (d *decoder) result() *series.Result {
	rows, known := d.results(1)
	clear(known)
	r := &rows[0]
	*r = blank
	r.ECU = d.ecu
	return r
}

// blank is copied, never written.
var blank = series.NewResult()
