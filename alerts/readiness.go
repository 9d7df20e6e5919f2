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

// Criteria is when an inspection takes a vehicle whose monitors have not all run. The figures change: they
// are dated, and a fleet's own rule goes first.
type Criteria struct {
	Name       string
	Incomplete int // monitors that may be incomplete
	// Any of these since codes were cleared stands in for it; 0 = does not count.
	WarmUps    float64
	DistanceKm float64
	Source     string
}

// Light vehicles of model year 2001 and later, and heavy ones in the California programme. Both from
// secondary sources, as read in 2026: check before relying on them.
var (
	LightCriteria = Criteria{Name: "light vehicle", Incomplete: 1, Source: "16 CCR 3340.42.2 and 40 CFR 85.2207, second-hand, 2026"}
	HeavyCriteria = Criteria{Name: "heavy vehicle", Incomplete: 2, WarmUps: 5, DistanceKm: 200 * 1.609344, Source: "CARB readiness criteria, second-hand, 2026"}
)

// Cleared is what is known of codes that were cleared, or a battery that was off.
type Cleared struct {
	At         time.Time
	By         string  // "" when only the vehicle tells
	WarmUps    float64 // since then; 0 when not read
	DistanceKm float64
}

// LastClear is the newest clear of codes that is known: told by the shop floor, or seen in the vehicle's own counters, which
// began anew before the reports at these times. Counters that fall within two days of what was told are that clear. Of the
// counters' newest values, NaN was never read.
func LastClear(facts []shop.Fact, anew []time.Time, warmUps, distanceKm float64) Cleared {
	var c Cleared
	for _, f := range facts {
		if f.Kind == shop.Clear && f.At.After(c.At) {
			c.At, c.By = f.At, f.By
		}
	}
	for _, at := range anew {
		if at.Sub(c.At) > 48*time.Hour {
			c.At, c.By = at, ""
		}
	}
	if warmUps > 0 {
		c.WarmUps = warmUps
	}
	if distanceKm > 0 {
		c.DistanceKm = distanceKm
	}
	return c
}

// A Forecast says whether a unit will be ready for its inspection.
type Forecast struct {
	Unit       string        `json:"unit"`
	Cleared    time.Time     `json:"cleared"`
	Ready      int           `json:"ready"` // families of monitors that have run again
	Of         int           `json:"of"`
	Families   []FamilyReady `json:"families"`
	ReadyBy    *time.Time    `json:"ready_by"` // by the unit's own rate; nil when that is not known
	Inspection *time.Time    `json:"inspection"`
	Rejected   bool          `json:"likely_rejected"`
	Words      string        `json:"words"`
	Source     string        `json:"source"`
}

// continuous are families whose tests run all the time the engine does: one that has run stands for all (SAE J1979, from
// memory: their readiness is complete at once on most vehicles).
var continuous = []string{"misfire", "fuel_system"}

// FamilyReady is one family of monitors since the clear. It has run when all its tests have, since its readiness bit tells
// of all of them.
type FamilyReady struct {
	Family   string     `json:"family"`
	Ran      bool       `json:"ran"`
	Expected *time.Time `json:"expected"`
}

// Foresee says how ready a unit is after its codes were cleared, and by when it should be, at the rate at
// which its tests ran before. nil when no codes were cleared within two months.
func Foresee(u fleet.Unit, c Cleared, courses map[series.Key]*analyze.Trace, now time.Time) *Forecast {
	if c.At.IsZero() || now.Sub(c.At) > nearDate || c.At.After(now) {
		return nil
	}
	f := &Forecast{Unit: u.Unit, Cleared: c.At, Inspection: instant(u.InspectionDue)}
	by, ran, waits := map[string]*FamilyReady{}, map[*FamilyReady]bool{}, map[*FamilyReady]bool{}
	for _, tr := range courses {
		n := tr.Now
		if n.Family == "" {
			continue
		}
		x := by[n.Family]
		if x == nil {
			x = &FamilyReady{Family: n.Family}
			by[n.Family] = x
		}
		at := slices.IndexFunc(tr.Points, func(p analyze.Point) bool { return p.At.After(c.At) })
		if at >= 0 || n.LastFresh.After(c.At) && n.State != series.StateNotRun {
			ran[x] = true
			continue
		}
		if len(tr.Points) == 0 || c.At.Sub(tr.Points[len(tr.Points)-1].At) > nearDate {
			continue // it did not run before either: it says nothing of what the unit does now
		}
		if t := expected(tr.Points, c.At, 1); !waits[x] || compareDates(t, x.Expected) > 0 {
			x.Expected = t
		}
		waits[x] = true
	}
	for _, x := range by {
		x.Ran = ran[x] && (!waits[x] || slices.Contains(continuous, x.Family))
	}
	var missing []*time.Time
	for _, x := range by {
		if x.Ran {
			x.Expected = nil
			f.Ready++
		} else {
			missing = append(missing, x.Expected)
		}
		f.Families = append(f.Families, *x)
	}
	slices.SortFunc(f.Families, func(a, b FamilyReady) int { return cmp.Compare(a.Family, b.Family) })
	f.Of = len(f.Families)
	crit := LightCriteria
	if u.WeightClass == "heavy" || u.WeightClass == "medium" {
		crit = HeavyCriteria
	}
	f.Source = crit.Source
	met := len(missing) <= crit.Incomplete || crit.WarmUps > 0 && c.WarmUps >= crit.WarmUps || crit.DistanceKm > 0 && c.DistanceKm >= crit.DistanceKm
	if !met {
		// The last of those that may not be missing decides. One that nobody can foresee comes last.
		slices.SortFunc(missing, func(a, b *time.Time) int { return compareDates(a, b) })
		f.ReadyBy = missing[len(missing)-1-crit.Incomplete]
	} else {
		f.ReadyBy = &now
	}
	f.Rejected = !met && f.Inspection != nil && f.Inspection.After(now.Add(-24*time.Hour)) && (f.ReadyBy == nil || f.ReadyBy.After(*f.Inspection))
	f.Words = f.words(c, now, zoneOf(u.TimeZone), met)
	return f
}

func (f *Forecast) words(c Cleared, now time.Time, zone *time.Location, met bool) string {
	s := fmt.Sprintf("Codes were cleared %s", day(c.At, zone))
	if c.By != "" {
		s += " (" + c.By + ")"
	}
	s += fmt.Sprintf("; %d of %d groups of self-tests have run since.", f.Ready, f.Of)
	switch {
	case met:
		s += " That is enough for most inspections."
	case f.ReadyBy == nil:
		s += " Nobody can say when the others will: they ran too rarely before."
	default:
		s += fmt.Sprintf(" At this unit's own rate the others should have run by %s.", day(*f.ReadyBy, zone))
	}
	if f.Inspection != nil && !met {
		days := int(f.Inspection.Sub(now).Hours()/24 + 0.5)
		s += fmt.Sprintf(" Inspection in %d days", days)
		if f.Rejected {
			return s + ": likely to be rejected as not ready."
		}
		return s + "."
	}
	return s
}
