package alerts

import (
	"slices"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/ingest/fleet"
)

var worstFirst = []Consequence{Stop, RoadCall, Compliance, Cost, Note}

// An inspection date is near within these spans: of the newest reading, and after the early end of the
// forecast (the visit and the repeated test need time before the date). Assumptions, common practice.
const (
	nearDate  = 60 * 24 * time.Hour
	nearLimit = 30 * 24 * time.Hour
)

// consequence is what follows if nothing is done: the class of the family for this fuel and weight class,
// raised to compliance when the unit's next inspection is near or comes before the limit or soon after it,
// or when the emission warranty of the part class is about to end.
// at is the newest reading; limit may be nil.
//
// The classes are common practice, no source.
func consequence(e *knowledge.Entry, u *fleet.Unit, at time.Time, limit *Limit) Consequence {
	c := Consequence(e.ClassFor(fuelOf(u), u.WeightClass))
	if !slices.Contains(worstFirst, c) {
		c = Cost
	}
	if due := u.InspectionDue; !due.IsZero() && slices.Index(worstFirst, c) > slices.Index(worstFirst, Compliance) {
		last := at.Add(nearDate)
		if limit != nil && limit.P10 != nil {
			last = latest(last, limit.P10.Add(nearLimit))
		}
		if !due.Before(at.Truncate(24*time.Hour)) && !due.After(last) {
			c = Compliance
		}
	}
	if end, ok := warrantyEnd(e, u); ok && slices.Index(worstFirst, c) > slices.Index(worstFirst, Compliance) && end.After(at) && !end.After(at.Add(nearWarranty)) {
		c = Compliance
	}
	return c
}

// fuelOf is petrol or diesel, the difference that decides what a fault leads to. Where the roster does not
// say, medium and heavy units are taken for diesels (assumption).
func fuelOf(u *fleet.Unit) string {
	f := strings.ToLower(u.Fuel)
	switch {
	case strings.Contains(f, "diesel"), f == "d", f == "" && (u.WeightClass == "medium" || u.WeightClass == "heavy"):
		return "diesel"
	}
	return "petrol"
}
