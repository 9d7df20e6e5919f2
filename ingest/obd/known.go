package obd

import "marginline/ingest/series"

// Scaled says whether the standards give the raw counts of a result a unit and a scale: not on older buses,
// nor where the unit-and-scaling id or the SLOT is none that is known here. A test catalogue may fill the gap.
func Scaled(r *series.Result) bool {
	switch {
	case r.UAS != series.None:
		return unitOf(r.UAS).known
	case r.Slot != series.None:
		return slots[r.Slot].known
	}
	return r.CID == series.None
}
