package main

import (
	"fmt"
	"strconv"
	"strings"

	"marginline/alerts/review"
	"marginline/analyze"
)

// rangeText is a range as the settings write it.
func rangeText(r [2]float64) string { return fmt.Sprintf("%g-%g", r[0], r[1]) }

// prices are those of the settings. They were validated.
func (c *config) prices() review.Prices {
	p, _ := c.parsePrices()
	return p
}

func (c *config) checkPrices() error {
	p, err := c.parsePrices()
	if err != nil {
		return err
	}
	return p.Validate()
}

func (c *config) parsePrices() (p review.Prices, err error) {
	p.Currency = c.Cost.Currency
	for _, x := range []struct {
		name, text string
		to         *[2]float64
	}{{"unplanned", c.Cost.Unplanned, &p.Unplanned}, {"planned", c.Cost.Planned, &p.Planned}, {"check", c.Cost.Check, &p.Check}, {"failing", c.Cost.Failing, &p.Failing}} {
		low, high, ok := strings.Cut(x.text, "-")
		a, err1 := strconv.ParseFloat(strings.TrimSpace(low), 64)
		b, err2 := strconv.ParseFloat(strings.TrimSpace(high), 64)
		if !ok || err1 != nil || err2 != nil {
			return p, fmt.Errorf("%s: %q: want a range such as 600-1500", x.name, x.text)
		}
		*x.to = [2]float64{a, b}
	}
	return p, nil
}

// worths are what visits cost and save in this fleet, by class of consequence.
func (c *config) worths() map[string]analyze.Worth {
	x := &c.Cost
	return map[string]analyze.Worth{
		"stop": {Wasted: x.Wasted, Saved: x.SavedStop}, "road_call": {Wasted: x.Wasted, Saved: x.SavedRoadCall},
		"compliance": {Wasted: x.Wasted, Saved: x.SavedCompliance}, "cost": {Wasted: x.Wasted, Saved: x.SavedCost},
		"note": {Wasted: x.Wasted, Saved: x.SavedNote},
	}
}
