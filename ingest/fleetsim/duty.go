package fleetsim

import (
	"math"
	"math/rand/v2"
	"time"
)

// A duty is how a class of vehicle is used. Figures are invented, in the range that fleets report.
type duty struct {
	trips      [2]int     // a working day
	minutes    [2]float64 // a trip
	highway    float64    // share of trips on the highway
	hour       [2]float64 // first start, local
	litresPer  float64    // km
	saturday   float64    // chance of work
	sunday     float64
	regenKm    float64 // between regenerations of the particulate filter
	oilKm      float64
	emptyBelow float64 // fuel level that sends the driver to the pump, percent
}

var duties = map[string]duty{
	"light":  {[2]int{6, 11}, [2]float64{7, 26}, 0.30, [2]float64{5.5, 8}, 0.14, 0.5, 0.08, 0, 12000, 32},
	"medium": {[2]int{3, 6}, [2]float64{18, 55}, 0.5, [2]float64{4.5, 7}, 0.26, 0.4, 0.05, 620, 20000, 35},
	"heavy":  {[2]int{2, 3}, [2]float64{100, 210}, 0.85, [2]float64{0, 22}, 0.36, 0.6, 0.35, 850, 40000, 35},
}

// A habit is when the tank is filled.
type habit int

const (
	whenLow    habit = iota // at the pump when the gauge is low
	someDays                // also now and then in between
	everyNight              // after the last trip of each day
)

// A trip is one driving cycle.
type trip struct {
	start   time.Time
	length  time.Duration
	km      float64
	highway bool
	cold    bool    // after a soak of at least six hours
	refuel  float64 // level to fill to after the trip, percent; 0 for none
	fuel    float64 // level at the start
	ambient float64 // at the start, Cel
	wet     bool
	number  int // in the vehicle's life
}

func (t *trip) end() time.Time { return t.start.Add(t.length) }

func (t *trip) minutes() float64 { return t.length.Minutes() }

// A driver plans and drives the days of one vehicle.
type driver struct {
	duty
	rng      *rand.Rand
	climate  *climate
	habit    habit
	tankL    float64
	hotFills bool // fills up each evening while the scripted hot week lasts

	fuel    float64 // percent
	lastEnd time.Time
	cycles  int
	always  time.Time // on the road every day from then on; zero for never
}

// plan gives the trips of the local day that begins at from.
func (d *driver) plan(from time.Time) []trip {
	r := d.rng
	n := d.trips[0] + r.IntN(d.trips[1]-d.trips[0]+1)
	works := 0.97
	switch from.Add(localOffset).Weekday() {
	case time.Saturday:
		works = d.saturday
	case time.Sunday:
		works = d.sunday
	}
	if off := r.Float64() >= works; off && (d.always.IsZero() || from.Before(d.always)) {
		n = 0
	}
	at := from.Add(time.Duration(between(r, d.hour[0], d.hour[1]) * float64(time.Hour)))
	if at.Before(d.lastEnd.Add(10 * time.Minute)) {
		at = d.lastEnd.Add(10 * time.Minute)
	}
	var all []trip
	for i := range n {
		t := trip{start: at.Truncate(time.Second), length: time.Duration(between(r, d.minutes[0], d.minutes[1])*60) * time.Second,
			highway: r.Float64() < d.highway}
		speed := 26.0
		if t.highway {
			speed = 72
		}
		t.km = t.minutes() / 60 * speed * between(r, 0.85, 1.15)
		t.cold = t.start.Sub(d.lastEnd) >= 6*time.Hour
		t.ambient, t.wet = d.climate.ambient(t.start), d.climate.isWet(t.start)
		t.fuel = d.fuel
		d.fuel = max(4, d.fuel-t.km*d.litresPer/d.tankL*100)
		d.cycles++
		t.number = d.cycles
		t.refuel = d.fill(i == n-1, t.start)
		if t.refuel > 0 {
			d.fuel = t.refuel
		}
		d.lastEnd = t.end()
		at = t.end().Add(time.Duration(between(r, 6, 45)) * time.Minute)
		all = append(all, t)
	}
	return all
}

// fill says to which level the tank is filled after a trip, 0 for not at all.
func (d *driver) fill(last bool, at time.Time) float64 {
	r := d.rng
	full, topUp := between(r, 90, 99), between(r, 60, 95)
	chance := r.Float64()
	hot := d.hotFills && at.After(d.climate.heat[0]) && at.Before(d.climate.heat[1])
	switch {
	case hot && last:
		return between(r, 68, 82)
	case d.habit == everyNight && last, d.fuel < d.emptyBelow:
		return full
	case d.habit == someDays && last && chance < 0.15 && d.fuel < 55:
		return max(d.fuel, topUp)
	}
	return 0
}

// coolant is the coolant temperature some seconds into a trip, Cel.
func coolant(t *trip, into time.Duration) float64 {
	warm := 1 - math.Exp(-into.Minutes()/5)
	from := t.ambient
	if !t.cold {
		from = 68
	}
	return from + (90-from)*warm
}
