package alerts

import (
	"math"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // zone names mean the same on every machine
)

// zoneOf is the zone of that name; UTC where the name is empty or unknown.
func zoneOf(name string) *time.Location {
	if loc, err := time.LoadLocation(name); err == nil && name != "Local" {
		return loc
	}
	return time.UTC
}

var consequenceWords = map[Consequence]struct{ word, follows string }{
	Stop:       {"Must not leave", "fire, injury or damage at once is possible"},
	RoadCall:   {"Road call", "the unit may lose power, refuse to start or limp on the road"},
	Compliance: {"Inspection", "the unit would fail its inspection"},
	Cost:       {"Cost", "it costs fuel, or wears other parts"},
	Note:       {"Note", "nothing is expected to follow soon"},
}

// Words are a consequence as people read it: its name, and in a clause what follows if nothing is done. One that is not
// known is its own name.
func (c Consequence) Words() (name, follows string) {
	if w, ok := consequenceWords[c]; ok {
		return w.word, w.follows
	}
	return string(c), ""
}

func day(t time.Time, zone *time.Location) string { return t.In(zone).Format("2 Jan 2006") }

// unitWords are the UCUM codes (The Unified Code for Units of Measure) that people read in another form.
var unitWords = map[string]string{
	"1": "", "Cel": "°C", "Ohm": "Ω", "mOhm": "mΩ", "kOhm": "kΩ", "deg": "°", "{count}": "counts",
	"[ppm]": "ppm", "us": "µs", "uA": "µA", "mm2": "mm²", "[in_i]": "in", "{rev}/min": "rpm", "{bool}": "",
	"mg/{stroke}": "mg per stroke", "g/{cyl}": "g per cylinder",
}

// quantity is a figure of three significant digits, whole numbers in full, with its unit.
func quantity(v *float64, ucum string) string {
	if v == nil {
		return "not known"
	}
	s := strconv.FormatFloat(*v, 'g', 3, 64)
	if f, err := strconv.ParseFloat(s, 64); err == nil {
		if math.Abs(*v) >= 1000 {
			f = math.Round(*v)
		}
		if f == 0 || math.Abs(f) >= 1e-4 {
			s = strconv.FormatFloat(f, 'f', -1, 64)
		}
	}
	unit, ok := unitWords[ucum]
	if !ok {
		unit = ucum
	}
	return strings.TrimSpace(s + " " + unit)
}

func percent(share float64) string { return strconv.Itoa(int(math.Round(share*100))) + " %" }

var limitWords = map[string]string{"max": "the maximum", "min": "the minimum"}

func limitWord(toward string) string {
	if w, ok := limitWords[toward]; ok {
		return w
	}
	return "the limit"
}
