package analyze

import (
	"encoding/hex"
	"fmt"
	"math"
	"sync"
	"time"
)

// A CohortKey names the series that share parameters: one test of one control unit, of the vehicles of one
// engine family with one calibration. The empty string pools: a key without calibration is the engine
// family's, one with the test alone is the whole fleet's.
type CohortKey struct{ EngineFamily, CalID, ECU, Test string }

// levels is how many cohorts a series belongs to, from its own to the whole fleet.
const levels = 3

// at is the cohort of a level.
func (k CohortKey) at(level int) CohortKey {
	switch level {
	case 1:
		k.CalID = ""
	case 2:
		k = CohortKey{Test: k.Test}
	}
	return k
}

// String is the cohort in words.
func (k CohortKey) String() string {
	switch {
	case k.EngineFamily == "" && k.ECU == "":
		return "all units, " + k.Test
	case k.CalID == "":
		return fmt.Sprintf("engine family %s, %s %s", k.EngineFamily, k.ECU, k.Test)
	}
	return fmt.Sprintf("engine family %s, calibration %s, %s %s", k.EngineFamily, k.CalID, k.ECU, k.Test)
}

// The conditions whose effect on a test is taken out.
const (
	byAmbient = iota
	byFuel
	byPressure
	covers
)

// coverUnits are what an effect is given for: of the order of a change of season, a third of a tank, 500 m
// of altitude.
var coverUnits = [covers]float64{12, 30, 5} // Cel, %, kPa

// A Cohort is what a fit found for the series of one cohort, in shares of the distance from the healthy level to the
// nearer limit unless another length is named. What few series tell leans on the wider cohorts, and those on
// the shipped figures.
type Cohort struct {
	Key    CohortKey
	Series int // series behind it

	Level, LevelSpread float64         // of healthy levels, in units of the limit; NaN with few
	Spread, Weight     float64         // healthy spread of one result, and the degrees of freedom it is worth
	Phi                float64         // correlation of successive results
	Effect             [covers]float64 // change of the value, upward positive, with one unit of each condition
	EffectSpread       float64         // of the ambient effect, between units
	Null               float64         // what a CUSUM score is divided by, 1 or more
}

// EnoughSeries is how many series make a cohort that stands on its own. With fewer it leans on wider cohorts
// and on the shipped figures.
const EnoughSeries = 200

// Leans says whether the cohort has too few series to stand on its own.
func (c *Cohort) Leans() bool { return c.Series < EnoughSeries }

// A parting is the course of one cohort over the weeks and days of a fit.
type parting struct {
	weeks  []*Cohort // by week of Parameters; nil while nothing was fitted
	centre []float64 // common movement by day of Parameters, upward positive
	units  []int32   // series behind it
}

// Parameters are what a whole fleet's readings told about its cohorts, week by week and day by day. They are a
// pure function of the readings: what is in force at a time was fitted on readings before that time alone.
// Never changed once made, so safe for many goroutines.
type Parameters struct {
	week0, day0 int64 // ordinal of the first week and the first day fitted
	fitted      int64 // the day whose readings are not fitted yet
	versions    []string
	cohorts     map[CohortKey]*parting
	movements   []Movement

	once sync.Once
	sum  string // see digest
}

const weekMicros = 7 * dayMicros

// weekOf is the ordinal of the week a time (us) lies in; weeks begin on Monday, UTC.
func weekOf(at int64) int64 { return (at - 4*int64(dayMicros)) / int64(weekMicros) }

func weekStart(week int64) int64 { return week*int64(weekMicros) + 4*int64(dayMicros) }

func dayOf(at int64) int64 { return at / int64(dayMicros) }

// Shipped is the version of parameters that were never fitted.
const Shipped = "shipped"

// versionAt names the parameters in force at a time.
func (p *Parameters) versionAt(at int64) string {
	if p == nil || len(p.versions) == 0 {
		return Shipped
	}
	i := weekOf(at) - p.week0 - 1
	if i < 0 {
		return Shipped
	}
	return p.versions[min(int(i), len(p.versions)-1)]
}

// of are the courses of the cohorts of a series, the narrowest first; nil where there is none.
func (p *Parameters) of(k CohortKey) (list [levels]*parting) {
	if p == nil {
		return list
	}
	for i := range list {
		list[i] = p.cohorts[k.at(i)]
	}
	return list
}

// cohortAt is the narrowest cohort fitted before a time; nil when there is none.
func (p *Parameters) cohortAt(list [levels]*parting, at int64) *Cohort {
	if p == nil {
		return nil
	}
	i := int(weekOf(at) - p.week0 - 1)
	for _, c := range list {
		if c == nil || len(c.weeks) == 0 || i < 0 {
			continue
		}
		if x := c.weeks[min(i, len(c.weeks)-1)]; x != nil {
			return x
		}
	}
	return nil
}

// centreAt is how far the cohort has moved in common by the end of the day before a time.
func (p *Parameters) centreAt(list [levels]*parting, at int64) (share float64, units int32) {
	if p == nil {
		return 0, 0
	}
	i := int(dayOf(at) - p.day0 - 1)
	for _, c := range list[:levels-1] {
		if c == nil || i < 0 || len(c.centre) == 0 {
			continue
		}
		if k := min(i, len(c.centre)-1); c.units[k] >= centreLeast {
			return c.centre[k], c.units[k]
		}
	}
	return 0, 0
}

// versionOf names a week's parameters: the day they are in force from, and a digest of them.
func versionOf(week int64, sum [32]byte) string {
	return timeOf(weekStart(week+1)).Format(time.DateOnly) + "." + hex.EncodeToString(sum[:3])
}

func (c *Cohort) digest(d *digester) {
	if c == nil {
		return
	}
	d.strings(c.Key.EngineFamily, c.Key.CalID, c.Key.ECU, c.Key.Test)
	d.ints(int64(c.Series))
	d.floats(c.Level, c.LevelSpread, c.Spread, c.Weight, c.Phi, c.EffectSpread, c.Null)
	d.floats(c.Effect[:]...)
}

// shippedCohort is what is taken for a series without any cohort.
func shippedCohort(phi float64, set *Settings) Cohort {
	n := math.NaN()
	return Cohort{Level: n, LevelSpread: n, Spread: set.PriorSpread, Weight: set.PriorWeight, Phi: phi, EffectSpread: set.AmbientPrior, Null: 1}
}
