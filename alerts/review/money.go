package review

import (
	"errors"
	"fmt"

	"marginline/alerts"
)

// Prices are what a fleet enters: low and high, in its own currency.
type Prices struct {
	Currency  string     `json:"currency"`
	Unplanned [2]float64 `json:"unplanned"` // a road call with what follows
	Planned   [2]float64 `json:"planned"`   // the same repair as a planned visit, over what a service would cost anyway
	Check     [2]float64 `json:"check"`     // a needless check
	Failing   [2]float64 `json:"failing"`   // share of the hits that would have become a road call
}

// DefaultPrices are assumptions of ours, to be replaced by the fleet's own. An average roadside repair was
// US$407 to 491 in 2019 and 2020 (ATA Technology & Maintenance Council, through the trade press), without tow,
// driver and load.
func DefaultPrices() Prices {
	return Prices{Currency: "USD", Unplanned: [2]float64{600, 1500}, Planned: [2]float64{150, 350}, Check: [2]float64{60, 200}, Failing: [2]float64{0.5, 1}}
}

// Validate finds ranges that are none.
func (p Prices) Validate() error {
	for name, r := range map[string][2]float64{"unplanned": p.Unplanned, "planned": p.Planned, "check": p.Check, "failing": p.Failing} {
		if !(r[0] >= 0 && r[1] >= r[0]) {
			return fmt.Errorf("%s: %v: low and high, neither below 0", name, r)
		}
	}
	if p.Failing[1] > 1 {
		return errors.New("failing is a share, at most 1")
	}
	return nil
}

// Money is what the alerts were worth, as a range with its assumptions.
type Money struct {
	Currency    string   `json:"currency"`
	Low         float64  `json:"low"`
	High        float64  `json:"high"`
	RoadCalls   int      `json:"road_calls"` // hits of the road call class, which alone are counted
	Needless    int      `json:"needless"`
	Assumptions []string `json:"assumptions"`
}

func (p Prices) money(hits []alerts.Consequence, needless int) Money {
	n := 0
	for _, c := range hits {
		if c == alerts.RoadCall || c == alerts.Stop {
			n++
		}
	}
	m := Money{Currency: p.Currency, RoadCalls: n, Needless: needless}
	if n > 0 || needless > 0 { // else it would say minus zero
		m.Low = float64(n)*(p.Failing[0]*p.Unplanned[0]-p.Planned[1]) - float64(needless)*p.Check[1]
		m.High = float64(n)*(p.Failing[1]*p.Unplanned[1]-p.Planned[0]) - float64(needless)*p.Check[0]
	}
	m.Assumptions = []string{
		fmt.Sprintf("Only hits of the classes stop and road call are counted: %d. What a lamp, an inspection or fuel costs is left out.", n),
		fmt.Sprintf("%.0f to %.0f %% of them would have become a road call; nobody can know, since they were repaired.", p.Failing[0]*100, p.Failing[1]*100),
		fmt.Sprintf("A road call costs %.0f to %.0f %s, the planned visit %.0f to %.0f %s.", p.Unplanned[0], p.Unplanned[1], p.Currency, p.Planned[0], p.Planned[1], p.Currency),
		fmt.Sprintf("Each of the %d needless checks cost %.0f to %.0f %s.", needless, p.Check[0], p.Check[1], p.Currency),
		"Low takes the low end of what was saved and the high end of what was spent; high the other way round.",
	}
	return m
}
