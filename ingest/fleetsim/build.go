package fleetsim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"marginline/ingest/fleet"
)

// warmUpDays are lived before the history begins, so that it begins with vehicles in use.
const warmUpDays = 14

// A depot is where units sleep.
type depot struct {
	name, zone, state    string
	mean, year           float64
	wetShare, barometric float64
}

var depots = []depot{
	{"Tannery Row", "America/Denver", "CA", 17, 10, 0.15, 92},
	{"Saltgate", "America/Los_Angeles", "CA", 15, 5, 0.3, 101},
}

// A recipe says what to build.
type recipe struct {
	name   string // unit
	family string
	bus    string
	depot  int
	habit  habit
}

// play builds the fleet at the beginning of its history.
func (f *Fleet) play(words bool) *play {
	c := f.cfg
	from := localDay(c.start()).AddDate(0, 0, -warmUpDays)
	p := &play{from: from, words: words}
	for i, d := range depots {
		p.weather = append(p.weather, newClimate(from.AddDate(0, 0, -1), c.random(1<<20+i, forWeather), d.mean, d.year, d.wetShare, d.barometric))
	}
	s := script(c)
	for i, r := range s.recipes {
		v := build(c, i, r, p.weather[r.depot])
		if s.random {
			drawFaults(c, v)
			drawDeposit(c, v)
		}
		l := &link{rng: c.random(i, forDelivery), faults: c.Delivery}
		if c.Delivery && s.random {
			l.drawOutages(c.start(), c.End)
		}
		p.vehicles = append(p.vehicles, v)
		p.links = append(p.links, l)
	}
	s.stage(c, p)
	for _, v := range p.vehicles {
		slices.SortStableFunc(v.events, func(a, b event) int { return a.at.Compare(b.at) })
		for _, w := range v.faults {
			w.plan()
		}
	}
	return p
}

// mixed is a random fleet: half vans, a few of them on an older bus, the rest trucks.
func mixed(c Config) []recipe {
	var all []recipe
	for i := range c.Units {
		r := c.random(i, forBuild)
		x := recipe{name: fmt.Sprintf("%04d", 1001+i), depot: i % 2}
		switch h := r.Float64(); {
		case h < 0.3:
			x.habit = someDays
		case h > 0.97:
			x.habit = everyNight
		}
		switch share := float64(i) / float64(c.Units); {
		case share < 0.2:
			x.family = "KR-20"
		case share < 0.42:
			x.family = "KR-35"
		case share < 0.5:
			x.family, x.bus = "KR-11", []string{"iso9141", "j1850"}[i%2]
		case share < 0.79:
			x.family = "MD-48"
		default:
			x.family = "HD-130"
		}
		all = append(all, x)
	}
	return all
}

// build makes one vehicle: its own levels, limits of one of three calibrations, noise and habits.
func build(c Config, n int, x recipe, w *climate) *vehicle {
	r := c.random(n, forBuild)
	r.Float64() // the habit's
	fam := familyNamed(x.family)
	v := &vehicle{n: n, family: fam, bus: fam.bus, repairs: c.Repairs, polls: c.random(n, forPolls), namesVIN: r.Float64() < 0.95}
	if x.bus != "" {
		v.bus = x.bus
	}
	d := duties[fam.class]
	d.trips[0] += r.IntN(2)
	d.highway *= between(r, 0.8, 1.15)
	if fam.class == "heavy" {
		h := between(r, 0, 21)
		d.hour = [2]float64{h, h + 1.5}
	}
	version := r.IntN(3)
	v.cal = fmt.Sprintf("%s-%02d%c", fam.name, 14+version*3, 'A'+rune(version))
	age := between(r, 1.5, 8)
	v.km = age * map[string]float64{"light": 29000, "medium": 40000, "heavy": 120000}[fam.class] * between(r, 0.8, 1.2)
	v.hours = v.km / map[string]float64{"light": 32, "medium": 42, "heavy": 68}[fam.class]
	v.bornKm, v.bornHours, v.born = v.km, v.hours, w.first
	v.oilSwing = 0.16
	v.oilKm = r.Float64() * d.oilKm
	v.clearKm = between(r, 3000, 40000)
	v.warmups = 255
	v.ignitions = uint16(r.IntN(9000))
	v.conditions = uint16(600 + r.IntN(3000))
	v.sootShare = between(r, 0.1, 0.22)
	if d.regenKm > 0 {
		v.regenKm = d.regenKm * between(r, 0.8, 1.25)
		v.sootKm = r.Float64() * v.regenKm
	}
	litres := map[string]float64{"light": 98, "medium": 150, "heavy": 560}[fam.class]
	v.drv = driver{duty: d, rng: c.random(n, forDuty), climate: w, habit: x.habit, tankL: litres, fuel: between(r, 40, 90)}
	v.unit = roster(c, n, x, v, age, litres, r)
	for i := range fam.tests {
		v.tests = append(v.tests, newMonitor(c, v, &fam.tests[i], i, version, r))
	}
	if fam.misfires != noMisfires {
		for i := range fam.cylinders {
			cyl := &cylinder{key: fmt.Sprintf("m%02x.t", 0xA2+i), rng: c.random(n, forMisfire+i<<8), rate: between(r, 0.1, 1.2)}
			cyl.code = v.code(fmt.Sprintf("P03%02d", i+1), nil)
			v.cylinders = append(v.cylinders, cyl)
		}
	}
	return v
}

// code gives the vehicle's code of that name, a new one where it has none yet.
func (v *vehicle) code(text string, m *monitor) *code {
	if text == "" {
		return nil
	}
	x := &code{text: text, from: v.family.from}
	if v.family.protocol == onTruck {
		x.spn, x.fmi, x.from = m.id.spn, m.id.fmi, m.from
		x.text = fmt.Sprintf("s%d.f%d", x.spn, x.fmi)
	} else {
		x.number = number(text)
	}
	for _, have := range v.codes {
		if have.text == x.text && have.from == x.from {
			return have
		}
	}
	v.codes = append(v.codes, x)
	return x
}

func newMonitor(c Config, v *vehicle, t *test, i, version int, r *rand.Rand) *monitor {
	own := *t
	m := &monitor{test: &own, from: v.family.from, rng: c.random(v.n, forTests+i), scaling: units[t.id.uas]}
	switch v.family.protocol {
	case onTruck:
		m.scaling = slots[t.id.slot]
		m.key = fmt.Sprintf("s%d.f%d.t%d", t.id.spn, t.id.fmi, allResults)
		if t.id.source != "" {
			m.from = t.id.source
		}
	case onOlder:
		m.scaling = scaling{step: 1}
		m.key = fmt.Sprintf("t%02x.c%02x", t.id.mid, t.id.tid)
	default:
		m.key = fmt.Sprintf("m%02x.t%02x", t.id.mid, t.id.tid)
	}
	hole := between(r, 0.0055, 0.0095) * inch
	offset := r.NormFloat64() * 0.06
	m.tank = tank{v.drv.tankL, 8}
	switch t.shape {
	case leakSmall, leakLarge:
		m.healthy = m.tank.reported(0.0075*inch, referenceFuel)
		m.max = m.tank.reported(0.020*inch, referenceFuel)
		m.leak20 = m.max
		if t.shape == leakLarge {
			m.max = m.tank.reported(0.040*inch, referenceFuel)
		}
		for _, other := range v.tests {
			if other.shape == leakLarge || other.shape == leakSmall { // one tank, one hole
				hole = m.tank.hole(other.leak0)
			}
		}
	}
	limits := [3]float64{1, 0.93, 1.08}
	if c.hard != nil {
		limits = c.hard.Calibration.Limits
	}
	m.setLimits(limits[version] * between(r, 0.995, 1.005))
	m.level0 = m.healthy + min(max(offset, -0.12), 0.12)*m.distance()
	if t.shape == leakSmall || t.shape == leakLarge {
		m.level0 = m.tank.reported(hole, referenceFuel)
		m.leak0 = m.level0
	}
	m.spread = t.noise * c.Noise * between(r, 0.8, 1.2)
	m.season = between(r, -0.03, 0.08)
	if r.Float64() < 0.12 {
		m.newPart, m.newKm, m.newFrom = between(r, 0.05, 0.12), between(r, 500, 1500), v.km+between(r, 0, 4000)
	}
	if r.Float64() < 0.08 {
		m.stepAt = c.start().Add(days(between(r, 0.1, 0.9) * float64(c.Days)))
		m.stepBy = between(r, -0.1, 0.08)
	}
	m.tail, m.tailFrom, m.tailTo = 0.01, 2, 4.5
	m.runs = uint16(200 + r.IntN(700))
	if c.hard != nil {
		c.hard.roughen(c, v, m, i, version)
	}
	m.codes = [2]*code{v.code(t.low, m), v.code(t.hi, m)}
	return m
}

// distance is the usual distance to the nearer limit.
func (m *monitor) distance() float64 {
	switch {
	case math.IsNaN(m.lo):
		return m.hi - m.healthy
	case math.IsNaN(m.hi):
		return m.healthy - m.lo
	}
	return min(m.hi-m.healthy, m.healthy-m.lo)
}

// roster is the unit as the fleet's roster lists it.
func roster(c Config, n int, x recipe, v *vehicle, age, litres float64, r *rand.Rand) fleet.Unit {
	u := fleet.NewUnit(x.name)
	d := depots[x.depot]
	u.Device, u.Depot, u.TimeZone, u.State = "dgl-"+x.name, d.name, d.zone, d.state
	u.VIN = vin(v.family, n, c.End.Year()-int(age))
	u.EngineFamily, u.Fuel, u.WeightClass, u.TankL = v.family.name, v.family.fuel, v.family.class, litres
	u.GVWRKg = map[string]float64{"light": 3900, "medium": 8800, "heavy": 29500}[v.family.class]
	dayOf := func(t time.Time) time.Time { return t.Truncate(day) }
	u.InService = dayOf(c.End.Add(-days(age * 365)))
	u.PMIntervalKm = map[string]float64{"light": 8000, "medium": 16000, "heavy": 24000}[v.family.class]
	u.PMIntervalDays = 90
	u.PMLast = dayOf(c.End.Add(-days(between(r, 3, 88))))
	u.InspectionDue = dayOf(c.End.Add(days(between(r, 20, 330))))
	if v.family.diesel {
		u.PMIntervalHours = 500
	}
	return u
}
