package analyze

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
	"time"

	"marginline/ingest/series"
)

// A Circumstance is something else than wear that moves the results of a family of tests. Several are added up.
type Circumstance uint8

// The circumstances, and where each begins (assumptions, but for the tank: evaporative tests are disabled above 85 %
// by 13 CCR 1968.2(e)(4), from memory, and below about 15 % by common practice).
const (
	Refuelled Circumstance = 1 << iota // the tank was filled within fillHours before
	Tank                               // above 85 % or below 15 %
	Heat                               // 28 Cel outside, or more
	Cold                               // 4 Cel outside, or less
	Altitude                           // 5 kPa, about 400 m, from where the unit usually is
)

const (
	fillPoints = 8 // the level rises by so many percent of the tank: a fill, not a slope
	fillHours  = 20
	tankMost   = 85
	tankLeast  = 15
	heatFrom   = 28
	coldFrom   = 4
	pressFrom  = 5
	metresPer  = 85 // of altitude, a kPa: standard atmosphere (ISO 2533) near sea level, from memory
)

// What else moves a family's results (common practice, no source). Faults of plugs and connectors come with cold and wet
// too, so what strands a unit is explained by little.
func usualCircumstances() map[string]Circumstance {
	return map[string]Circumstance{
		"evap": Refuelled | Tank | Heat | Cold | Altitude, "purge": Refuelled | Heat | Altitude,
		"fuel_system": Refuelled | Altitude, "boost": Altitude | Heat, "egr": Altitude, "secondary_air": Cold,
	}
}

// An aside is a fresh result of a stretch in which some lay far out, with what it was read under. NaN is not read.
type aside struct {
	at       int64   // read_at (us)
	used     float64 // share of the healthy distance
	ambient  float64 // Cel
	fuel     float64 // percent
	pressure float64 // kPa from the usual
	filled   bool
	far      bool
}

// The rule, as far as it is counted: in so many results, those far out all came under the circumstance, those without
// it are healthy, and so clear a split comes by chance less often than chanceSplit (Fisher 1922, the exact test).
const (
	asideMost   = 24
	asideFar    = 2
	asidePlain  = 3
	chanceSplit = 0.02
)

// note keeps a fresh result while one of the last ones lies far out.
func (w *watch) note(s *sides, m moment, opened bool, v *Vehicle) {
	if opened {
		w.asides = nil
	}
	side := w.worse()
	if w.rule.Explains == 0 || side < 0 {
		return
	}
	st := &w.side[side]
	u := st.used(s.x[side])
	gate, ok := st.gate(v.set)
	far := ok && u >= v.set.HoldShare*min(gate, st.fastGate(v.set))
	if len(w.asides) == 0 && !far || math.IsNaN(u) {
		return
	}
	a := aside{at: m.at, used: rough(u), ambient: rough(m.ambient), fuel: rough(m.fuel), pressure: math.NaN(), far: far}
	if w.cover.n[byPressure] > 0 && !math.IsNaN(m.pressure) {
		a.pressure = rough(coverUnits[byPressure] * w.cover.away(byPressure, m.covers()))
	}
	a.filled = v.filledAt != 0 && m.at-v.filledAt <= int64(fillHours*time.Hour/time.Microsecond)
	if len(w.asides) == asideMost {
		w.asides = w.asides[1:]
	}
	w.asides = append(w.asides[:len(w.asides):len(w.asides)], a)
	for _, a := range w.asides {
		if a.far {
			return
		}
	}
	w.asides = nil
}

// fuelled notes when the tank was filled.
func (v *Vehicle) fuelled(at int64, level float64) {
	switch {
	case math.IsNaN(level):
	case v.fuelAt == 0 || level < v.fuel:
		v.fuel, v.fuelAt = level, at
	case level >= v.fuel+fillPoints:
		v.fuel, v.fuelAt, v.filledAt = level, at, at
	}
}

// under says whether a result was read under all of some circumstances. What was not read is not so.
func (a *aside) under(c Circumstance) bool {
	return (c&Refuelled == 0 || a.filled) && (c&Tank == 0 || a.fuel > tankMost || a.fuel < tankLeast) &&
		(c&Heat == 0 || a.ambient >= heatFrom) && (c&Cold == 0 || a.ambient <= coldFrom) &&
		(c&Altitude == 0 || math.Abs(a.pressure) >= pressFrom)
}

// circumstances says in words and figures what the results far out have in common that the healthy ones do not; "" where
// nothing does. Once said, it stands while no two results far out came without it: kept is what was said.
func (w *watch) circumstances(kept Circumstance, set *Settings) (Circumstance, string) {
	best, least := Circumstance(0), chanceSplit
	both := Refuelled | Heat
	for c := Circumstance(1); c <= Altitude; c++ {
		if c&^w.rule.Explains != 0 || bits.OnesCount8(uint8(c)) > 1 && c != both {
			continue
		}
		if p, ok := w.split(c, c == kept, set); ok && (p <= least || c == kept) { // of two as clear, the one that says more
			if best, least = c, p; c == kept {
				break
			}
		}
	}
	if best == 0 {
		return 0, ""
	}
	return best, w.words(best)
}

// split is the chance of so clear a split by a circumstance.
func (w *watch) split(c Circumstance, kept bool, set *Settings) (p float64, ok bool) {
	far, under, stray, sum := 0, 0, 0, 0.0
	for i := range w.asides {
		a := &w.asides[i]
		if a.used >= 1 { // beyond the limit: a code follows, whatever moved it
			return 1, false
		}
		is := a.under(c)
		switch {
		case is:
			under++
		default:
			sum += a.used
		}
		if a.far {
			far++
			if !is {
				stray++
			}
		}
	}
	n := len(w.asides)
	st := &w.side[w.worse()]
	gate, _ := st.gate(set)
	plain := n - under
	if far-stray < asideFar || plain < asidePlain || sum/float64(plain) >= set.GoodShare*gate {
		return 1, false
	}
	if kept {
		return 0, stray < 2
	}
	p = 1 // C(under, far) / C(n, far)
	for i := range far {
		p *= float64(under-i) / float64(n-i)
	}
	return p, stray == 0 && p <= chanceSplit
}

// words is the evidence.
func (w *watch) words(c Circumstance) string {
	var names, how []string
	say := func(bit Circumstance, name string, format string, args ...any) {
		if c&bit != 0 {
			names, how = append(names, name), append(how, fmt.Sprintf(format, args...))
		}
	}
	ambient := w.spanOf(c, func(a *aside) float64 { return a.ambient })
	fuel := w.spanOf(c, func(a *aside) float64 { return a.fuel })
	press := w.spanOf(c, func(a *aside) float64 { return math.Abs(a.pressure) })
	say(Refuelled, "refuelling", "within %d hours of a fill", fillHours)
	say(Tank, "fuel level", "with the tank at %s %%", fuel)
	say(Heat, "heat", "at %s °C outside", ambient)
	say(Cold, "cold", "at %s °C outside", ambient)
	say(Altitude, "altitude", "at an air pressure %s kPa from the usual (%s m)", press,
		w.spanOf(c, func(a *aside) float64 { return metresPer * math.Abs(a.pressure) }))
	used := w.spanOf(c, func(a *aside) float64 { return 100 * a.used })
	far, stray, plain, sum := 0, 0, 0, 0.0
	var first, last int64
	for i := range w.asides {
		a := &w.asides[i]
		if is := a.under(c); !is {
			plain++
			sum += a.used
			if a.far {
				stray++
			}
		} else if a.far {
			if far++; first == 0 {
				first = a.at
			}
			last = a.at
		}
	}
	s := fmt.Sprintf("%s: %d of the %d results far out (%s to %s) were read %s, %s %% of the way to the limit; the %d read otherwise are at %.0f %% on average",
		strings.Join(names, " and "), far, far+stray, timeOf(first).Format(time.DateOnly), timeOf(last).Format(time.DateOnly), strings.Join(how, ", "), used, plain, 100*sum/float64(plain))
	return s + "."
}

// spanOf is the range of a figure of the results far out under a circumstance.
func (w *watch) spanOf(c Circumstance, of func(*aside) float64) string {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range w.asides {
		if a := &w.asides[i]; a.far && a.under(c) {
			if x := of(a); !math.IsNaN(x) {
				lo, hi = min(lo, x), max(hi, x)
			}
		}
	}
	if a, b := fmt.Sprintf("%.0f", lo), fmt.Sprintf("%.0f", hi); a != b {
		return a + " to " + b
	}
	return fmt.Sprintf("%.0f", lo)
}

// confounded are the circumstances that may explain a result of a family.
func (s *Settings) confounded(family string, r *series.Result) Circumstance {
	if family == "evap" && r.MID == purgeMonitor {
		family = "purge"
	}
	return s.Explains[family]
}
