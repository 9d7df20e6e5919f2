package schedule

import (
	"cmp"
	"slices"

	"marginline/alerts/shop"
)

// A planner fills rooms.
type planner struct {
	in       Input
	end      shop.Day // the first day not planned
	depots   []string // in order
	rooms    map[string]*room
	jobs     []*Job     // still to place, in order of urgency
	services []*Service // likewise, by due day
	of       map[string]*Service
	placed   map[string]bool // services that a job took along
	fixed    []fixture
	seats    []seat // by visit
	missed   map[string]Fixed
	days     map[string][]shop.Day // on which a unit comes
	out      Plan
}

// A fixture is a fixed day with what it is for.
type fixture struct {
	Fixed
	job     *Job
	service *Service
}

type seat struct{ bay, tech, minutes int }

func newPlanner(in Input) *planner {
	p := &planner{in: in, end: in.Today + shop.Day(in.Days), rooms: map[string]*room{}, of: map[string]*Service{},
		placed: map[string]bool{}, missed: map[string]Fixed{}, days: map[string][]shop.Day{}, out: Plan{Today: in.Today, Visits: []Visit{}, Waiting: []Waiting{}, Clashes: []Clash{}, Loads: []Load{}}}
	for i := range in.Depots {
		d := &in.Depots[i]
		p.rooms[d.Name] = newRoom(d, in.Today, in.Days)
		p.depots = append(p.depots, d.Name)
	}
	slices.Sort(p.depots)
	chosen := map[string]Fixed{}
	for _, f := range in.Fixed {
		chosen[f.ID] = f
	}
	put := map[string]Deferral{}
	for _, d := range in.Deferrals {
		put[d.ID] = d
	}
	for i := range in.Services {
		s := &in.Services[i]
		p.of[s.Unit] = s
		switch f, is := chosen[s.ID]; {
		case is && f.Day >= in.Today:
			p.fixed = append(p.fixed, fixture{f, nil, s})
		default:
			if is {
				p.missed[s.ID] = f
			}
			p.services = append(p.services, s)
		}
	}
	for i := range in.Jobs {
		j := &in.Jobs[i]
		f, is := chosen[j.ID]
		d, off := put[j.ID]
		switch {
		case is && f.Day >= in.Today:
			p.fixed = append(p.fixed, fixture{f, j, nil})
		case off && d.Until > in.Today:
			p.wait(j.ID, j.Unit, "deferred", &d.Until, deferred(d))
		default:
			if is {
				p.missed[j.ID] = f
			}
			p.jobs = append(p.jobs, j)
		}
	}
	slices.SortFunc(p.jobs, byUrgency)
	slices.SortFunc(p.services, func(a, b *Service) int { return cmp.Or(cmp.Compare(a.Due, b.Due), cmp.Compare(a.ID, b.ID)) })
	slices.SortFunc(p.fixed, func(a, b fixture) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.ID, b.ID)) })
	return p
}

func (p *planner) wait(id, unit, why string, until *shop.Day, reason string) {
	p.out.Waiting = append(p.out.Waiting, Waiting{id, unit, why, until, reason})
}

// fix books what a person chose, or says that it clashes.
func (p *planner) fix(f fixture) {
	v := Visit{Day: f.Day, Kind: ByPerson}
	n := need{person: true, byBay: f.Bay, byPerson: f.Technician}
	if f.job != nil {
		v.Unit, v.Depot, v.Job, v.rank = f.job.Unit, f.job.Depot, f.job.ID, f.job.Rank
		v.Prepare = prepare(f.job)
		n.minutes, n.skills, n.bay = minutes(f.job.Hours), f.job.Skills, f.job.Bay
		v.Risk = f.job.By != nil && f.Day >= *f.job.By
		if s := p.of[v.Unit]; s != nil && s.ID == f.Service && p.rooms[s.Depot] != nil && s.Depot == v.Depot && !p.placed[s.ID] && !p.fixedAlone(s) {
			p.placed[s.ID], v.Service = true, s.ID
			n.minutes = p.serviceMinutes(s) + minutes(f.job.RideHours)
		}
	} else {
		v.Unit, v.Depot, v.Service, v.rank = f.service.Unit, f.service.Depot, f.service.ID, Note
		n.minutes = p.serviceMinutes(f.service)
	}
	v.Reason = chosen(f.Fixed, v.Risk, f.job)
	r := p.rooms[v.Depot]
	if r == nil {
		p.clash(Clash{ID: f.ID, Unit: v.Unit, Depot: v.Depot, Reason: noDepot(v.Depot), Fixed: f.Day})
		return
	}
	bay, tech, ok := r.seat(f.Day, n)
	if !ok {
		if v.Service != "" {
			p.placed[v.Service] = false // it is planned by itself until the clash is solved
		}
		p.clash(Clash{ID: f.ID, Unit: v.Unit, Depot: v.Depot, Fixed: f.Day, Reason: noRoomOn(f.Fixed, r), Bumps: p.bumps(r, f.Day, f.Day+1, n, v.rank)})
		return
	}
	p.book(v, r, bay, tech, n.minutes)
}

// fixedAlone says whether a person chose a day for the service itself.
func (p *planner) fixedAlone(s *Service) bool {
	return slices.ContainsFunc(p.fixed, func(f fixture) bool { return f.service == s })
}

func (p *planner) clash(c Clash) {
	if c.Bumps == nil {
		c.Bumps = []Bump{}
	}
	p.out.Clashes = append(p.out.Clashes, c)
}

// comes says whether a unit has a visit on a day.
func (p *planner) comes(unit string, day shop.Day) bool { return slices.Contains(p.days[unit], day) }

func (p *planner) book(v Visit, r *room, bay, tech, minutes int) {
	v.Bay, v.Technician, v.Hours = r.depot.Bays[bay].Name, r.depot.Technicians[tech].Name, float64(minutes)/60
	r.take(v.Day, bay, tech, minutes, len(p.out.Visits))
	p.seats = append(p.seats, seat{bay, tech, minutes})
	p.out.Visits = append(p.out.Visits, v)
	p.days[v.Unit] = append(p.days[v.Unit], v.Day)
}

func (p *planner) serviceMinutes(s *Service) int {
	h := s.Hours
	if h <= 0 {
		h = 2
		if r := p.rooms[s.Depot]; r != nil {
			h = r.depot.ServiceH
		}
	}
	return minutes(h)
}

func (p *planner) early(s *Service) shop.Day {
	if r := p.rooms[s.Depot]; r != nil {
		return s.Early(r.depot)
	}
	return s.Early(nil)
}

// bumps are the lighter visits of a stretch of days each of which alone would make room, the lightest first.
// A stop or a legal date is never among them.
func (p *planner) bumps(r *room, from, until shop.Day, n need, rank int) []Bump {
	type cand struct {
		Bump
		rank int
	}
	var list []cand
	for day := max(from, p.in.Today); day < min(until, p.end); day++ {
		x := r.at(day)
		for _, i := range x.visits {
			v, s := &p.out.Visits[i], p.seats[i]
			if v.rank <= rank || v.rank <= Compliance && v.rank != RoadCall {
				continue
			}
			r.giveBack(day, s.bay, s.tech, s.minutes)
			_, _, ok := r.seat(day, n)
			x.bays[s.bay] -= s.minutes
			x.techs[s.tech] -= s.minutes
			x.booked += s.minutes
			if ok {
				list = append(list, cand{Bump{v.Unit, v.Job, day, v.Kind == ByPerson}, v.rank})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b cand) int {
		person := 0
		if a.Person != b.Person {
			person = 1
			if b.Person {
				person = -1
			}
		}
		return cmp.Or(person, b.rank-a.rank, cmp.Compare(a.Day, b.Day))
	})
	var out []Bump
	for _, c := range list[:min(len(list), 3)] {
		out = append(out, c.Bump)
	}
	return out
}
