package schedule

import (
	"math"
	"slices"

	"marginline/alerts/shop"
)

// A room is what is left of a depot, day by day. Times are whole minutes, so that sums are exact.
type room struct {
	depot *shop.Depot
	first shop.Day
	days  []daily
	skill []map[string]bool // by technician
	kind  []map[string]bool // by bay
}

// daily is one day of a depot.
type daily struct {
	bays     []int // minutes left, by bay
	techs    []int // minutes left, by technician
	work     int   // minutes of all technicians
	promised int
	booked   int
	free     int // kept free for breakdowns
	visits   []int
}

func minutes(hours float64) int { return int(math.Ceil(hours*60 - 1e-9)) }

func newRoom(d *shop.Depot, first shop.Day, days int) *room {
	r := &room{depot: d, first: first, days: make([]daily, days)}
	for _, b := range d.Bays {
		r.kind = append(r.kind, set(b.Kinds))
	}
	for _, t := range d.Technicians {
		r.skill = append(r.skill, set(t.Skills))
	}
	for i := range r.days {
		day, x := first+shop.Day(i), &r.days[i]
		open := int(d.OpenHours(day) * 60)
		x.bays, x.techs = make([]int, len(d.Bays)), make([]int, len(d.Technicians))
		if open == 0 {
			continue
		}
		for k := range d.Bays {
			if !slices.Contains(d.Bays[k].Closed, day.String()) {
				x.bays[k] = open
			}
		}
		for k := range d.Technicians {
			x.techs[k] = int(d.WorkHours(&d.Technicians[k], day) * 60)
			x.work += x.techs[k]
		}
		x.promised = minutes(d.Promised[day.String()])
		x.free = int(math.Ceil(float64(x.work) * d.KeepFree))
	}
	return r
}

func set(list []string) map[string]bool {
	m := make(map[string]bool, len(list))
	for _, s := range list {
		m[s] = true
	}
	return m
}

func (r *room) at(day shop.Day) *daily {
	if i := int(day - r.first); i >= 0 && i < len(r.days) {
		return &r.days[i]
	}
	return nil
}

// A need is what a visit takes.
type need struct {
	minutes         int
	skills, bay     []string
	person          bool   // may use what is kept free
	byBay, byPerson string // a bay and a technician that a person chose
}

// seat finds a bay and a technician for a day: those with the fewest kinds and skills that will do, so that
// the special ones stay for who needs them. ok is false when there is no room.
func (r *room) seat(day shop.Day, n need) (bay, tech int, ok bool) {
	x := r.at(day)
	if x == nil {
		return 0, 0, false
	}
	most := x.work - x.promised
	if !n.person {
		most -= x.free
	}
	if x.booked+n.minutes > most {
		return 0, 0, false
	}
	bay = pick(x.bays, r.kind, n.minutes, n.bay, func(i int) bool { return n.byBay == "" || r.depot.Bays[i].Name == n.byBay })
	tech = pick(x.techs, r.skill, n.minutes, n.skills, func(i int) bool { return n.byPerson == "" || r.depot.Technicians[i].Name == n.byPerson })
	return bay, tech, bay >= 0 && tech >= 0
}

// pick is the plainest of those that will do; -1 when none does.
func pick(left []int, has []map[string]bool, minutes int, needs []string, allowed func(int) bool) int {
	best := -1
	for i, m := range left {
		if m < minutes || !allowed(i) || best >= 0 && len(has[i]) >= len(has[best]) {
			continue
		}
		if !slices.ContainsFunc(needs, func(s string) bool { return !has[i][s] }) {
			best = i
		}
	}
	return best
}

// take books a seat for a visit.
func (r *room) take(day shop.Day, bay, tech, minutes, visit int) {
	x := r.at(day)
	x.bays[bay] -= minutes
	x.techs[tech] -= minutes
	x.booked += minutes
	x.visits = append(x.visits, visit)
}

// giveBack undoes take, to see what would fit.
func (r *room) giveBack(day shop.Day, bay, tech, minutes int) {
	x := r.at(day)
	x.bays[bay] += minutes
	x.techs[tech] += minutes
	x.booked -= minutes
}

func (r *room) loads() []Load {
	var out []Load
	for i := range r.days {
		x := &r.days[i]
		if x.work == 0 {
			continue
		}
		out = append(out, Load{r.depot.Name, r.first + shop.Day(i), float64(x.work) / 60, float64(x.promised) / 60, float64(x.booked) / 60, float64(x.free) / 60})
	}
	return out
}
