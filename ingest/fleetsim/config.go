package fleetsim

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// A Config says which fleet to invent. The same Config gives the same bytes.
type Config struct {
	Units int    // vehicles; 0 means 48
	Days  int    // days of history; 0 means 182
	Seed  uint64 // of everything random
	End   time.Time

	Scenario  string  // "" = random faults by base rates, "hard" = the same in a hard fleet, "demo" = the scripted demo fleet
	Delivery  bool    // duplicates, late and shuffled reports, outages
	Repairs   bool    // stored codes bring the unit to a shop
	FaultRate float64 // multiplies the base rates of faults; 0 means 3, negative means none
	Noise     float64 // multiplies the noise of every test; 0 means 1

	hard *Hardness // of scenario "hard"
}

// Bounds of a Config, so that a slip of the hand does not fill a disk.
const (
	maxUnits = 5000
	maxDays  = 3660
)

func (c Config) check() (Config, error) {
	if c.Units == 0 {
		c.Units = 48
	}
	if c.Days == 0 {
		c.Days = 182
	}
	if c.FaultRate == 0 {
		c.FaultRate = 3
	}
	if c.Noise == 0 {
		c.Noise = 1
	}
	switch {
	case c.Units < 1 || c.Units > maxUnits:
		return c, fmt.Errorf("fleetsim: %d units: want 1 to %d", c.Units, maxUnits)
	case c.Days < 1 || c.Days > maxDays:
		return c, fmt.Errorf("fleetsim: %d days: want 1 to %d", c.Days, maxDays)
	case c.End.Year() < 2010 || c.End.Year() > 2100:
		return c, fmt.Errorf("fleetsim: end %s: want a time from 2010 to 2100", c.End.Format(time.RFC3339))
	case c.Noise < 0 || c.Noise > 5:
		return c, fmt.Errorf("fleetsim: noise %g: want 0 to 5", c.Noise)
	case c.FaultRate > 50:
		return c, fmt.Errorf("fleetsim: fault rate %g: want at most 50", c.FaultRate)
	case c.Scenario != "" && c.Scenario != "hard" && c.Scenario != "demo":
		return c, fmt.Errorf("fleetsim: scenario %q: want none, hard or demo", c.Scenario)
	case c.Scenario == "demo" && (c.Units != demoUnits || c.Days < demoDays):
		return c, fmt.Errorf("fleetsim: scenario demo has %d units and at least %d days", demoUnits, demoDays)
	}
	c.End = c.End.UTC().Truncate(time.Second)
	if c.Scenario == "hard" {
		h, err := Hard()
		if err != nil {
			return c, err
		}
		c.hard = &h
	}
	return c, nil
}

func (c Config) start() time.Time { return c.End.AddDate(0, 0, -c.Days) }

// What a stream of random numbers is for: each use of each unit has its own, so that one more draw here
// changes nothing there.
const (
	forDuty = iota
	forBuild
	forFaults
	forDelivery
	forPolls
	forWeather
	forDeposits
	forMisfire
	forTests           // + index of the test
	forHard  = 1 << 13 // + index of the test
)

// random is the stream of one use of one unit.
func (c Config) random(unit, use int) *rand.Rand {
	return rand.New(rand.NewPCG(c.Seed, uint64(unit)<<16|uint64(use)))
}

// between is uniform in [lo, hi).
func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

const day = 24 * time.Hour

func days(d float64) time.Duration { return time.Duration(d * float64(day)) }
