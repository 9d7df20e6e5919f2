package lake

import (
	"math"
	"slices"

	"marginline/ingest/series"
)

// A layout is how the rows of a row group hang together; it is the same for all columns.
type layout struct {
	reports []int32 // where each report begins, and the end
	twin    []int32 // for each row the one before that is likely to have the same values
	alike   []bool  // for each report that its rows are of the tests of their twins, under the same limits
}

// lay looks at the rows of a row group. The twin of a row is at the same position in the report before, for a vehicle
// is asked the same tests again and again; else it is the row before.
func (o *layout) lay(rows []row) {
	o.reports, o.twin = o.reports[:0], slices.Grow(o.twin[:0], len(rows))[:len(rows)]
	begin, back := 0, 0 // of this report; rows of the one before
	for i := range rows {
		if i > 0 && rows[i].p != rows[i-1].p {
			begin, back = i, i-begin
		}
		if i == begin {
			o.reports = append(o.reports, int32(i))
		}
		switch {
		case i-begin < back:
			o.twin[i] = int32(i - back)
		default:
			o.twin[i] = int32(max(i-1, 0))
		}
	}
	o.reports = append(o.reports, int32(len(rows)))
	o.alike = slices.Grow(o.alike[:0], len(o.reports))[:len(o.reports)-1]
	for i := range o.alike {
		first, end := o.reports[i], o.reports[i+1]
		back := first - o.twin[first]
		o.alike[i] = back > 0 && end-first <= back && rows[first].r != nil
		for k := first; k < end && o.alike[i]; k++ {
			o.alike[i] = rows[k].ord == rows[k-back].ord && sameTest(rows[k].r, rows[k-back].r)
		}
	}
}

// sameTest says whether all columns that column.test marks are the same in two results.
func sameTest(a, b *series.Result) bool {
	return a.Test == b.Test && a.ECU == b.ECU && a.Raw.Min == b.Raw.Min && a.Raw.Max == b.Raw.Max && a.UAS == b.UAS &&
		a.MID == b.MID && a.TID == b.TID && a.CID == b.CID && a.SPN == b.SPN && a.FMI == b.FMI && a.Slot == b.Slot &&
		a.Coding == b.Coding && sameReal(a.Min, b.Min) && sameReal(a.Max, b.Max) && a.UnitOfMeasure == b.UnitOfMeasure && a.DTC == b.DTC
}

func sameReal(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

// blocks are runs of whole reports of about as many rows as stay in the processor's cache while every column is
// taken from them. Each is a range of layout.reports.
func (o *layout) blocks(yield func(from, to int)) {
	const block = 256
	from := 0
	for i := 1; i < len(o.reports); i++ {
		if o.reports[i]-o.reports[from] >= block || i == len(o.reports)-1 {
			yield(from, i)
			from = i
		}
	}
}
