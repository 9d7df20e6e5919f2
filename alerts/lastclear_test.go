package alerts

import (
	"math"
	"testing"
	"time"

	"marginline/alerts/shop"
)

// What was told and what the counters show is one clear when they are near each other, and the later one else.
func TestLastClear(t *testing.T) {
	day := func(d float64) time.Time {
		return time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC).Add(time.Duration(d * 24 * float64(time.Hour)))
	}
	told := []shop.Fact{{Kind: shop.Clear, At: day(3), By: "Priya"}, {Kind: shop.Clear, At: day(10), By: "Wes"}, {Kind: shop.Repair, At: day(20), By: "Orrin"}}
	for name, c := range map[string]struct {
		facts []shop.Fact
		anew  []time.Time
		at    time.Time
		by    string
	}{
		"nothing is known":          {nil, nil, time.Time{}, ""},
		"told only":                 {told, nil, day(10), "Wes"},
		"counters only":             {nil, []time.Time{day(9), day(2)}, day(9), ""},
		"the same, seen later":      {told, []time.Time{day(11)}, day(10), "Wes"},
		"seen before it was told":   {told, []time.Time{day(8)}, day(10), "Wes"},
		"another, that nobody told": {told, []time.Time{day(14), day(4)}, day(14), ""},
	} {
		if got := LastClear(c.facts, c.anew, math.NaN(), 12); !got.At.Equal(c.at) || got.By != c.by || got.WarmUps != 0 || got.DistanceKm != 12 {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
