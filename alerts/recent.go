package alerts

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// Reported is the claim of a driver or technician: something that keeps the unit in the yard. It comes from
// a fact of the shop floor, not from the detector.
const Reported analyze.Kind = "reported"

// RecentWork is shop work or a report close to an alert. It is shown before the statistics: most new faults
// after a visit are a hose or connector left off (common practice, no source).
type RecentWork struct {
	At    time.Time `json:"at"`
	Kind  shop.Kind `json:"kind"`
	Words string    `json:"words"`
}

// recentSpan is how long before an alert work still counts as recent (common practice, no source).
const recentSpan = 14 * 24 * time.Hour

// recent are the facts from two weeks before the alert was raised, the newest first.
func recent(facts []shop.Fact, raised time.Time) []RecentWork {
	var out []RecentWork
	for _, f := range facts {
		if f.Kind != shop.Part && f.Kind != shop.Needed && !f.At.Before(raised.Add(-recentSpan)) {
			out = append(out, RecentWork{f.At, f.Kind, f.Words()})
		}
	}
	slices.SortStableFunc(out, func(a, b RecentWork) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Words, b.Words)) })
	return out
}

// reportFamily is the suspected cause of the reports that stop a unit.
var reportFamily = map[string]string{"fuel_smell": "evap", "flashing_lamp": "misfire"}

// reports turns the reports that stop a unit into signals, so that one row holds what the driver smelled and
// what the test measures. A report stands until the unit was worked on.
func reports(unit string, facts []shop.Fact) []analyze.Signal {
	var out []analyze.Signal
	for i := range facts {
		f := &facts[i]
		if !f.Stops() {
			continue
		}
		s := analyze.Signal{Key: series.Key{Unit: unit, Test: "report." + f.Symptom}, Family: reportFamily[f.Symptom], Kind: Reported, RaisedAt: f.At}
		for _, g := range facts {
			if g.Kind == shop.Repair && g.At.After(f.At) && (s.EndedAt.IsZero() || g.At.Before(s.EndedAt)) {
				s.EndedAt, s.Ended = g.At, "repaired"
			}
		}
		out = append(out, s)
	}
	return out
}

// Serviced is a unit of the roster as the shop floor knows it: the last PM service and the dongle of newer
// facts stand over those of the roster.
func Serviced(u fleet.Unit, facts []shop.Fact) fleet.Unit {
	var moved time.Time
	for _, f := range facts {
		switch {
		case f.Kind == shop.Service && f.At.After(u.PMLast):
			u.PMLast = f.At
			if f.OdometerKm != nil {
				u.PMLastKm = *f.OdometerKm
			}
			if f.EngineHours != nil {
				u.PMLastHours = *f.EngineHours
			}
		case f.Kind == shop.Dongle && f.At.After(moved):
			u.Device, moved = f.Device, f.At
		}
	}
	return u
}

// reported is the reason of an alert that rests on what somebody noticed.
func (d *deriver) reported(a *Alert) string {
	v := a.claim()
	for _, f := range d.Facts {
		if "report."+f.Symptom != v.Test || !f.At.Equal(v.ClaimedAt) {
			continue
		}
		s := fmt.Sprintf("On %s, %s.", day(f.At, d.zone), f.Words())
		if a.EndedAt != nil {
			return s + fmt.Sprintf(" The unit was worked on by %s.", day(*a.EndedAt, d.zone))
		}
		if f.Symptom == "fuel_smell" {
			return s + " Do not start the engine and keep sparks, flames and hot work away until the leak is found."
		}
		return s + " Stop driving: a flashing lamp is a misfire that destroys the catalyst."
	}
	return "A driver or technician reported something that stops the unit. Do not dispatch it before the shop has looked."
}
