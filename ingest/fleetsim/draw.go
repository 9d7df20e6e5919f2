package fleetsim

import "time"

// A rate is how often a family of tests develops a fault, per 1,000 vehicle-years, and how: shares of
// step, fast, slow and intermittent. No public source gives such rates for a working fleet; these are our
// assumptions.
type rate struct {
	name                  string
	light, medium, heavy  float64
	step, fast, slow, off float64
}

var rates = []rate{
	{"leak", 45, 0, 0, .35, .10, .47, .08},
	{"purge", 12, 0, 0, .2, .2, .3, .3},
	{"catalyst", 15, 10, 10, .05, .15, .8, 0},
	{"response", 20, 0, 0, .15, .15, .6, .1},
	{"heater", 15, 10, 0, .6, .1, .2, .1},
	{"egr", 5, 55, 60, .15, .15, .5, .2},
	{"vvt", 8, 0, 0, .2, .1, .5, .2},
	{"misfire", 40, 20, 20, .2, .25, .3, .25},
	{"fuel", 20, 25, 25, .2, .2, .5, .1},
	{"air", 4, 0, 0, .4, .1, .4, .1},
	{"boost", 0, 30, 35, .3, .2, .4, .1},
	{"scr", 0, 100, 140, .25, .3, .3, .15},
	{"filter", 0, 60, 70, .1, .3, .55, .05},
}

func (r *rate) of(class string) float64 {
	switch class {
	case "light":
		return r.light
	case "medium":
		return r.medium
	}
	return r.heavy
}

// drawFaults gives a vehicle the faults of its history: each family of tests fails as a Poisson event, at
// most once.
func drawFaults(c Config, v *vehicle) {
	r := c.random(v.n, forFaults)
	start, length := c.start(), float64(c.Days)
	for i := range rates {
		x := &rates[i]
		chance := x.of(v.family.class) / 1000 * length / 365 * c.FaultRate
		hit, kind, pick, when, long, power, most, side := r.Float64(), r.Float64(), r.IntN(1<<20), r.Float64(), r.Float64(), r.Float64(), r.Float64(), r.Float64()
		if hit >= chance {
			continue
		}
		w := &wear{rng: c.random(v.n, 1<<12+i), most: 1.15 + 0.5*most, power: 1}
		// Room for a healthy stretch before, where the history is long enough.
		lead := min(35, length*0.25)
		last := length
		switch {
		case kind < x.step:
			w.Mode = Step
		case kind < x.step+x.fast:
			w.Mode, w.dur = Fast, 5+15*long
			if c.hard != nil {
				w.dur = c.hard.FastDays[0] + (c.hard.FastDays[1]-c.hard.FastDays[0])*long
			}
			last = length - 0.5*w.dur
		case kind < x.step+x.fast+x.slow:
			w.Mode, w.dur = Slow, 45+135*long*long
			if c.hard != nil {
				w.dur = c.hard.SlowDays[0] + (c.hard.SlowDays[1]-c.hard.SlowDays[0])*long
			}
			w.power = []float64{1, 1, 1.7, 0.75}[int(power*4)]
			last = length - 0.7*w.dur
		default:
			w.Mode, w.dur, w.duty = Intermittent, 20+40*long, 0.1+0.3*power
			w.most = 1.05 + 0.4*most
			last = length - 0.4*w.dur
		}
		onset := lead + when*max(0, last-lead)
		w.Onset = start.Add(days(onset)).Truncate(time.Second)
		if !v.attach(w, x.name, pick, side < 0.6) {
			continue
		}
		v.faults = append(v.faults, w)
	}
}

// depositRate is how often an SCR catalyst collects deposits that a hot run later burns off, per 1,000
// vehicle-years (our assumption).
const depositRate = 60.0

// drawDeposit gives a diesel a stretch of falling SCR efficiency that goes by itself.
func drawDeposit(c Config, v *vehicle) {
	r := c.random(v.n, forDeposits)
	length := float64(c.Days)
	hit, when := r.Float64(), r.Float64()
	w := &wear{Fault: Fault{Mode: Healing, Cause: "deposits, burnt off by a hot run"}, rng: r, dur: between(r, 7, 16), most: between(r, 0.25, 0.5), power: 1}
	if hit >= depositRate/1000*length/365*c.FaultRate {
		return
	}
	w.Onset = c.start().Add(days(when * length)).Truncate(time.Second)
	for _, m := range v.tests {
		if m.shape == deposit && len(m.faults) == 0 {
			v.give(w, m, false)
			v.faults = append(v.faults, w)
		}
	}
}

// attach gives a wear to one of the vehicle's tests with that row of the rates, and tells whether there is
// one. high prefers the maximum where the test has two limits.
func (v *vehicle) attach(w *wear, rate string, pick int, high bool) bool {
	if rate == "misfire" && len(v.cylinders) > 0 {
		c := v.cylinders[pick%len(v.cylinders)]
		c.faults = append(c.faults, w)
		w.Fault = Fault{Unit: v.unit.Unit, VIN: v.unit.VIN, ECU: canonical(v.family.from), Family: "misfire",
			Tests: []string{c.key + "0b", c.key + "0c"}, Code: c.code.text, Mode: w.Mode, Cause: w.Cause, Onset: w.Onset}
		return true
	}
	var fit []*monitor
	for _, m := range v.tests {
		if m.rate == rate && m.shape != leakLarge {
			fit = append(fit, m)
		}
	}
	if len(fit) == 0 {
		return false
	}
	v.give(w, fit[pick%len(fit)], high)
	return true
}

// give lets a wear act on a test.
func (v *vehicle) give(w *wear, m *monitor, high bool) {
	w.side = 0
	if m.lo != m.lo || m.hi == m.hi && high {
		w.side = 1
	}
	m.faults = append(m.faults, w)
	tests := []string{m.key}
	if m.shape == leakSmall {
		for _, other := range v.tests {
			if other.shape == leakLarge {
				other.faults = append(other.faults, w)
				tests = append(tests, other.key)
			}
		}
	}
	w.Fault = Fault{Unit: v.unit.Unit, VIN: v.unit.VIN, ECU: canonical(m.from), Family: m.family, Tests: tests,
		Mode: w.Mode, Cause: w.Cause, Onset: w.Onset, LimitAt: w.LimitAt, Code: m.codes[w.side].text}
}

// canonical is a responder as readings name it: lower case.
func canonical(from string) string {
	b := []byte(from)
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}
