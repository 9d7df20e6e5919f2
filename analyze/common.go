package analyze

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// A Movement is something that the series of a cohort did together: weather, a batch of fuel, a mistake of our
// own. It is explained once, and no single unit is alarmed for it.
type Movement struct {
	Cohort CohortKey
	Units  int // series behind it on its largest day
	Since  time.Time
	Until  time.Time // zero while it lasts
	Most   float64   // largest common share of the distance to the limit, upward positive
}

// String is the movement in words.
func (m *Movement) String() string {
	way := "up"
	if m.Most < 0 {
		way = "down"
	}
	return fmt.Sprintf("%s: %d units moved %s together by %.0f %% of their distance to the limit since %s",
		m.Cohort, m.Units, way, 100*math.Abs(m.Most), m.Since.Format(time.DateOnly))
}

const (
	centreLeast = 8 // units that must have reported for a common movement
	centreDays  = 3 // within so many days
	centreSigma = 3 // and so many standard errors of the median are chance
	movedShare  = 0.15
)

// centre fits the common movement at a day's end: the median of the units' newest distances from their own
// healthy levels, drawn to nought by what chance would make of it (James and Stein's positive part).
func (g *gathering) centre(end int64) {
	devs := make([]float64, 0, len(g.members))
	for _, m := range g.members {
		if m.n >= fitResults && m.devAt >= end-centreDays*int64(dayMicros) && m.healthy() {
			devs = append(devs, m.dev)
		}
	}
	c := 0.0
	if len(devs) >= centreLeast {
		mid, spread := middleAndSpread(devs)
		chance := centreSigma * 1.2533 * spread / math.Sqrt(float64(len(devs)))
		if r := chance / mid; mid != 0 && r*r < 1 {
			c = mid * (1 - r*r)
		}
	}
	g.course.centre = append(g.course.centre, c)
	g.course.units = append(g.course.units, int32(len(devs)))
}

// movementsOf are the common movements of the narrowest cohorts, by time.
func movementsOf(groups []*gathering, day0 int64) (list []Movement) {
	for _, g := range groups {
		if g.key == g.key.at(1) {
			continue
		}
		var open *Movement
		for i, c := range g.course.centre {
			at := timeOf((day0 + int64(i)) * int64(dayMicros))
			switch moved := math.Abs(c) >= movedShare; {
			case open == nil && moved:
				list = append(list, Movement{Cohort: g.key, Since: at, Units: int(g.course.units[i]), Most: c})
				open = &list[len(list)-1]
			case open != nil && math.Abs(c) < movedShare/2:
				open.Until = at
				open = nil
			}
			if open != nil && math.Abs(c) > math.Abs(open.Most) {
				open.Most, open.Units = c, int(g.course.units[i])
			}
		}
	}
	slices.SortStableFunc(list, func(a, b Movement) int { return a.Since.Compare(b.Since) })
	return list
}
