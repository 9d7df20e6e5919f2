package fleetsim

import (
	"fmt"
	"strings"
	"time"

	"marginline/ingest/fleet"
)

const (
	demoUnits = 48
	demoDays  = 170
)

// A staging is what a scenario is made of.
type staging struct {
	recipes []recipe
	random  bool // faults by base rates
	stage   func(c Config, p *play)
}

// script gives the staging of a Config's scenario.
func script(c Config) staging {
	if c.Scenario == "demo" {
		return staging{demoRecipes(), false, stageDemo}
	}
	if c.hard != nil {
		return staging{mixed(c), true, c.hard.stage}
	}
	return staging{mixed(c), true, func(Config, *play) {}}
}

// demoRecipes are the units of the demo: vans 1101 to 1124, medium trucks 2201 to 2214, heavy trucks 3301
// to 3310.
func demoRecipes() []recipe {
	var all []recipe
	add := func(first, n int, family string, buses ...string) {
		for i := range n {
			x := recipe{name: fmt.Sprint(first + i), family: family, depot: (first + i) % 3 % 2, habit: habit((first + i) % 4 / 3)}
			if len(buses) > 0 {
				x.bus = buses[i%len(buses)]
			}
			all = append(all, x)
		}
	}
	add(1101, 11, "KR-20")
	add(1112, 9, "KR-35")
	add(1121, 4, "KR-11", "iso9141", "j1850")
	add(2201, 14, "MD-48")
	add(3301, 10, "HD-130")
	all[6].depot, all[11].depot = 1, 1 // 1107 and 1112 sleep at the coast, where leak tests run in winter too
	return all
}

// A scene sets the stage for one unit; days are counted from the end of the history.
type scene struct {
	*vehicle
	end time.Time
}

func (s scene) on(day float64) time.Time { return s.end.Add(days(day)).Truncate(time.Second) }

// at does something before the first trip after a day.
func (s scene) at(day float64, do func(v *vehicle, at time.Time)) {
	s.events = append(s.events, event{s.on(day), do})
}

// wears lets a test (named by the beginning of its key) wear from a day on, to reach its limit after some
// days.
func (s scene) wears(test, cause string, w wear, onset float64) *wear {
	w.Cause, w.Onset, w.rng = cause, s.on(onset), s.polls
	if w.power == 0 {
		w.power = 1
	}
	if w.most == 0 {
		w.most = 1.3
	}
	for _, m := range s.tests {
		if strings.HasPrefix(m.key, test) {
			s.give(&w, m, w.side == 1)
			s.faults = append(s.faults, &w)
			return &w
		}
	}
	panic("fleetsim: no test " + test + " on unit " + s.unit.Unit) // a slip in the script
}

// fixed plans a visit that finds the cause.
func (s scene) fixed(w *wear, day float64) { w.repairAt = s.on(day) }

// works has the unit on the road every day from a day on.
func (s scene) works(day float64) { s.drv.always = s.on(day) }

// service says how long ago the last PM service was and in how many days the inspection is due.
func (s scene) service(ago, inspection float64) {
	s.unit.PMLast = s.on(-ago).Truncate(day)
	if inspection > 0 {
		s.unit.InspectionDue = s.on(inspection).Truncate(day)
	}
}

// stageDemo is the storyline that the package comment tells. Every unit that is not named is healthy.
func stageDemo(c Config, p *play) {
	byName := map[string]*vehicle{}
	for _, v := range p.vehicles {
		byName[v.unit.Unit] = v
		v.repairs = false // but for those of the script
	}
	unit := func(name string) scene { return scene{byName[name], c.End} }
	slow := func(side int, dur float64) wear { return wear{Fault: Fault{Mode: Slow}, side: side, dur: dur} }
	fast := func(side int, dur float64) wear { return wear{Fault: Fault{Mode: Fast}, side: side, dur: dur} }

	u := unit("1107") // alert at next PM service, then ahead of it
	u.wears("m3c", "rust at the filler neck", slow(1, 58), -46)
	u.service(81, 27)

	u = unit("3304") // days left
	u.wears("s4364", "crystals on the doser", fast(0, 20), -14)
	u.drv.highway = 1
	u.service(40, 0)
	u.works(-30)

	// The dongle of 1116 is in 1113; their own are out of reach.
	u = unit("1113")
	u.swaps = append(u.swaps, swap{window{u.on(-3), forever}, "dgl-1116"})
	u.works(-4)
	u = unit("1116")
	u.silent = append(u.silent, window{u.on(-3), forever})

	heat := hotWeek(c.End)
	for _, w := range p.weather {
		w.heat, w.heatMean = heat, 29
	}
	for _, name := range []string{"1103", "1109", "1119"} {
		u := unit(name)
		u.drv.hotFills = true
	}

	u = unit("2208") // a surprise
	w := &wear{Fault: Fault{Mode: Step, Cause: "ignition of cylinder 3: injector connector broken"}, most: 1.7, rng: u.polls}
	w.Onset = u.on(-2.2)
	u.attach(w, "misfire", 2, true)
	u.faults = append(u.faults, w)
	u.works(-4)

	u = unit("1111") // reflash
	u.at(-58, func(v *vehicle, _ time.Time) { v.reflash("KR-20-27C", 1.12) })

	u = unit("2205") // no coverage
	p.links[u.n].outages = []window{{u.on(-40), u.on(-28)}}

	u = unit("1120") // cleared before an inspection
	u.at(-1.2, func(v *vehicle, _ time.Time) { v.clear() })
	u.service(30, 2)
	u.works(-5)

	u = unit("3307") // comes on wet days, goes again
	w = u.wears("s3226", "corroded pin at a NOx sensor", wear{Fault: Fault{Mode: Intermittent}, side: 1, dur: 20, most: 1.25, wet: true}, -75)
	u.fixed(w, -12)

	u = unit("2211") // only the phase of the sample differs
	u.sootShare, u.drv.regenKm = 0.36, 1300

	u = unit("1105") // ageing
	u.wears("m21", "catalyst ageing", slow(0, 190), -152)
	u.unit.InService = u.end.AddDate(-8, 0, 61).Truncate(day)
	u.km = 103000

	u = unit("2202") // three of a family
	u.wears("m31", "carbon in the EGR valve", slow(0, 150), -114)
	u = unit("2204")
	u.wears("m31", "carbon in the EGR valve", slow(0, 150), -92)
	u = unit("2212")
	w = u.wears("m31", "carbon in the EGR valve", slow(0, 118), -148)
	u.fixed(w, -14)

	u = unit("1115") // another route: the tank is filled each evening
	u.at(-52, func(v *vehicle, _ time.Time) { v.drv.habit = everyNight })

	u = unit("3302") // a sensor replaced for a leak: not recovered
	w = u.wears("s102", "charge air hose chafed through", slow(0, 62), -112)
	w.wrong = true
	u.fixed(w, -40)

	u = unit("1102")
	u.wears("m01", "oil on the front sensor", slow(1, 130), -100)
	u = unit("1112")
	w = u.wears("m3c", "seal of the pump hardened", slow(0, 68), -144)
	u.fixed(w, -52)
	u = unit("2210")
	u.wears("mb2", "ash", slow(1, 138), -84)
	u = unit("3309")
	u.wears("s2659", "EGR cooler fouled", slow(0, 78), -61)
	u.service(20, 0)
	u = unit("1122")
	u.wears("t11", "front sensor ages", slow(1, 92), -74)
	u = unit("1118")
	u.wears("m81", "intake hose cracks", wear{Fault: Fault{Mode: Slow}, side: 1, dur: 78, power: 1.7}, -98)
	u = unit("2207")
	w = u.wears("m98.t90", "doser tip coked", fast(0, 14), -96)
	u.fixed(w, -71)

	u = unit("1110") // fails from one day to the next, repaired
	w = u.wears("m41", "heater open", wear{Fault: Fault{Mode: Step}, side: 0, most: 1.5}, -31)
	u.fixed(w, -26)

	u = unit("1117") // healthy: the oil is due
	u.oilSwing = 0.3
}

var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// hotWeek is the six days that are warmest by the calendar, between 22 and 2 weeks before the end.
func hotWeek(end time.Time) [2]time.Time {
	c := climate{mean: 15, year: 10}
	best := end.AddDate(0, 0, -21)
	for at := end.AddDate(0, 0, -150); at.Before(end.AddDate(0, 0, -20)); at = at.AddDate(0, 0, 1) {
		if c.seasonal(at) > c.seasonal(best) {
			best = at
		}
	}
	return [2]time.Time{best, best.AddDate(0, 0, 6)}
}

// reflash gives the vehicle another calibration: limits farther away or nearer by a factor, codes and
// results cleared.
func (v *vehicle) reflash(cal string, factor float64) {
	v.cal = cal
	for _, m := range v.tests {
		m.moveLimits(factor)
	}
	v.clear()
}

// present is the unit as it stands now: the roster keeps what the vehicle has driven.
func (v *vehicle) present(end time.Time) fleet.Unit {
	u := v.unit
	used := end.Sub(u.PMLast).Hours() / 24
	share := used / max(1, end.Sub(v.born).Hours()/24)
	u.OdometerKm, u.EngineHours = float64(int(v.km)), float64(int(v.hours))
	u.PMLastKm = float64(int(v.km - share*(v.km-v.bornKm)))
	if v.family.diesel {
		u.PMLastHours = float64(int(v.hours - share*(v.hours-v.bornHours)))
	}
	return u
}
