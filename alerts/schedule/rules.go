package schedule

import (
	"slices"

	"marginline/alerts/shop"
)

// Days, common practice, no source.
const (
	ServicePad = 3  // between the PM service and the bound
	LookWithin = 30 // where nothing gives a bound
)

// place finds a day for a job by the rules.
func (p *planner) place(j *Job) {
	r := p.rooms[j.Depot]
	if r == nil {
		p.clash(Clash{ID: j.ID, Unit: j.Unit, Depot: j.Depot, Reason: noDepot(j.Depot)})
		return
	}
	s := p.serviceOf(j)
	first := p.first(j, r)
	late := j.By != nil && *j.By <= first
	switch {
	case j.Rank == Note && !j.Now:
		p.wait(j.ID, j.Unit, "watch", nil, watch)
	case j.Rank == Stop || j.Now || late:
		if !p.own(j, r, first, p.end, hurry(j, late)) {
			p.full(j, r, first, p.end)
		}
	case j.By == nil:
		limit := min(p.in.Today+LookWithin+1, p.end)
		if s != nil && s.Due < limit && p.along(j, s, r, first, RideAlong, noBoundRide(j, s)) || p.own(j, r, first, limit, noBoundOwn(j)) {
			return
		}
		p.full(j, r, first, limit)
	case s != nil && *j.By > s.Due+ServicePad:
		switch {
		case s.Due >= p.end:
			p.wait(j.ID, j.Unit, "later", &s.Due, rideLater(j, s))
		case p.along(j, s, r, first, RideAlong, ride(j, s)):
		case p.own(j, r, first, *j.By, rideFull(j, s)):
		default:
			p.full(j, r, first, *j.By)
		}
	default:
		p.before(j, s, r, first)
	}
}

// before places a job whose bound comes before its PM service, or that has none.
func (p *planner) before(j *Job, s *Service, r *room, first shop.Day) {
	switch {
	case s != nil && p.early(s) < *j.By && p.along(j, s, r, first, PullForward, pull(j, s)):
	case j.Rank == Cost && s != nil && s.Due < p.end && p.along(j, s, r, first, RideAlong, risk(j, s)):
	case j.Rank == Cost && s != nil && s.Due >= p.end:
		p.wait(j.ID, j.Unit, "later", &s.Due, riskLater(j, s))
	case p.own(j, r, first, min(*j.By, p.end), own(j, s)):
	default:
		p.full(j, r, first, min(*j.By, p.end))
	}
}

// serviceOf is the PM service that a job may still be done along with; nil when there is none.
func (p *planner) serviceOf(j *Job) *Service {
	s := p.of[j.Unit]
	if s != nil && (p.placed[s.ID] || s.Depot != j.Depot || p.fixedAlone(s)) {
		return nil
	}
	return s
}

// first is the first day on which a job may be done.
func (p *planner) first(j *Job, r *room) shop.Day {
	day := p.in.Today
	if j.Rank != Stop && !j.Now {
		day += shop.Day(r.depot.LeadDays)
	}
	if j.ColdSoak {
		day = max(day, p.in.Today+1)
	}
	if j.NotBefore != nil {
		day = max(day, *j.NotBefore)
	}
	return day
}

// own books a visit of its own on the first day with room. Where the PM service may be done on that day too, and there is room
// for both, it is.
func (p *planner) own(j *Job, r *room, from, until shop.Day, reason string) bool {
	n := need{minutes: minutes(j.Hours), skills: j.Skills, bay: j.Bay}
	for day := from; day < min(until, p.end); day++ {
		if bay, tech, ok := r.seat(day, n); ok && !slices.Contains(j.Blackout, day) {
			v := Visit{Unit: j.Unit, Depot: j.Depot, Day: day, Kind: OwnVisit, Job: j.ID, rank: j.Rank, Reason: p.again(j.ID) + reason, Prepare: prepare(j)}
			v.Risk = j.By != nil && day >= *j.By
			if s := p.serviceOf(j); s != nil && p.early(s) <= day {
				both := n
				both.minutes = p.serviceMinutes(s) + minutes(j.RideHours)
				if b, t, ok := r.seat(day, both); ok {
					v.Kind, v.Service, v.Reason = RideAlong, s.ID, v.Reason+" "+alongToo(s)
					if day < s.Due {
						v.Kind = PullForward
					}
					bay, tech, n = b, t, both
					p.placed[s.ID] = true
				}
			}
			p.book(v, r, bay, tech, n.minutes)
			return true
		}
	}
	return false
}

// along books the job together with the PM service: on the last day with room that is inside the service's
// early window and, for one pulled forward, before the bound. An overdue service takes the first day.
func (p *planner) along(j *Job, s *Service, r *room, first shop.Day, kind Kind, reason string) bool {
	n := need{minutes: p.serviceMinutes(s) + minutes(j.RideHours), skills: j.Skills, bay: j.Bay}
	from, until := max(first, p.early(s)), s.Due
	if kind == PullForward {
		until = min(until, *j.By-1)
	}
	step := shop.Day(-1)
	day, last := min(until, p.end-1), from
	if s.Due < from { // overdue
		day, last, step = from, p.end-1, 1
		if kind == PullForward {
			last = min(last, *j.By-1)
		}
	}
	for ; (day-last)*step <= 0; day += step {
		if bay, tech, ok := r.seat(day, n); ok && !slices.Contains(j.Blackout, day) {
			v := Visit{Unit: j.Unit, Depot: j.Depot, Day: day, Kind: kind, Job: j.ID, Service: s.ID, rank: j.Rank, Reason: p.again(j.ID) + reason, Prepare: prepare(j)}
			v.Risk = j.By != nil && day >= *j.By
			p.placed[s.ID] = true
			p.book(v, r, bay, tech, n.minutes)
			return true
		}
	}
	return false
}

// serve finds a day for a PM service that nothing rides along with; one on which the unit comes in for something else is none.
func (p *planner) serve(s *Service) {
	if p.placed[s.ID] {
		return
	}
	r := p.rooms[s.Depot]
	switch {
	case r == nil:
		p.clash(Clash{ID: s.ID, Unit: s.Unit, Depot: s.Depot, Reason: noDepot(s.Depot)})
		return
	case s.Due >= p.end:
		p.wait(s.ID, s.Unit, "later", &s.Due, serviceLater(s))
		return
	}
	n := need{minutes: p.serviceMinutes(s)}
	from, until := max(p.in.Today+shop.Day(r.depot.LeadDays), p.early(s)), s.Due
	v := Visit{Unit: s.Unit, Depot: s.Depot, Kind: PMService, Service: s.ID, rank: Note, Reason: p.again(s.ID) + due(s, p.in.Today)}
	for day := until; day >= from; day-- {
		if bay, tech, ok := r.seat(day, n); ok && !p.comes(s.Unit, day) {
			v.Day = day
			p.book(v, r, bay, tech, n.minutes)
			return
		}
	}
	for day := max(from, until+1); day < p.end; day++ {
		if bay, tech, ok := r.seat(day, n); ok && !p.comes(s.Unit, day) {
			v.Day, v.Risk = day, true
			v.Reason = p.again(s.ID) + overdue(s, p.in.Today)
			p.book(v, r, bay, tech, n.minutes)
			return
		}
	}
	p.clash(Clash{ID: s.ID, Unit: s.Unit, Depot: s.Depot, Reason: serviceFull(s)})
}

// full is the clash of a job without room.
func (p *planner) full(j *Job, r *room, from, until shop.Day) {
	n := need{minutes: minutes(j.Hours), skills: j.Skills, bay: j.Bay}
	p.clash(Clash{ID: j.ID, Unit: j.Unit, Depot: j.Depot, Reason: p.again(j.ID) + noRoom(j, r, until), Bumps: p.bumps(r, from, until, n, j.Rank)})
}
