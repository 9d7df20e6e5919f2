package schedule

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"marginline/alerts/shop"
)

// Ranks of consequence, gravest first.
const (
	Stop = iota
	RoadCall
	Compliance
	Cost
	Note
)

// A Job is work that waits for a visit.
type Job struct {
	ID, Unit, Depot string
	Rank            int       // consequence
	What            string    // in a few words, for reasons
	Now             bool      // a code is stored or a test failed: the first day with room
	By              *shop.Day // the visit should be before this day; nil when nothing gives one
	ByWhy           string    // what gives it
	Hours           float64   // of an own visit
	RideHours       float64   // added to a PM service
	Skills          []string  // the technician needs all of them
	Bay             []string  // kinds that the bay must offer
	ColdSoak        bool      // the unit stands overnight before the visit
	FuelWindow      bool      // a quarter to three quarters of a tank
	NotBefore       *shop.Day // parts
	Blackout        []shop.Day
}

// A Service is the next PM service of a unit.
type Service struct {
	ID, Unit, Depot string
	Due             shop.Day
	IntervalDays    float64
	Hours           float64 // 0 = the depot's usual
}

// Early is the first day on which the service may be done at a depot; nil is one that has no shop file.
func (s *Service) Early(d *shop.Depot) shop.Day {
	share := shop.DefaultEarly
	if d != nil {
		share = d.EarlyShare
	}
	return s.Due - shop.Day(share*s.IntervalDays)
}

// A Fixed is a day that a person chose, for a job or a service.
type Fixed struct {
	ID              string // of the job or service
	Day             shop.Day
	Bay, Technician string // "" leaves the choice
	Service         string // the PM service that a job goes along with, when one does
	Who, Why        string
}

// A Deferral is a job that a person put off.
type Deferral struct {
	ID       string
	Until    shop.Day // planned again from this day on
	Who, Why string
}

// An Input is everything a plan depends on.
type Input struct {
	Today     shop.Day
	Days      int // how far to plan, today included
	Depots    []shop.Depot
	Jobs      []Job
	Services  []Service
	Fixed     []Fixed
	Deferrals []Deferral
}

// Kind is how a visit came about.
type Kind string

// The kinds of visit.
const (
	RideAlong   Kind = "ride_along"
	PullForward Kind = "pull_forward"
	OwnVisit    Kind = "own_visit"
	PMService   Kind = "pm_service" // nothing rides along
	ByPerson    Kind = "fixed"
)

// A Visit is one unit in one bay with one technician on one day.
type Visit struct {
	Unit       string   `json:"unit"`
	Depot      string   `json:"depot"`
	Day        shop.Day `json:"day"`
	Bay        string   `json:"bay"`
	Technician string   `json:"technician"`
	Hours      float64  `json:"hours"`
	Kind       Kind     `json:"kind"`
	Job        string   `json:"job,omitempty"`
	Service    string   `json:"service,omitempty"`
	Risk       bool     `json:"risk"` // the bound comes first: somebody has to accept that knowingly
	Reason     string   `json:"reason"`
	Prepare    []string `json:"prepare,omitempty"` // for dispatch and driver, the evening before

	rank int
}

// A Waiting is a job or service that needs no day yet.
type Waiting struct {
	ID     string    `json:"id"`
	Unit   string    `json:"unit"`
	Why    string    `json:"why"` // deferred, watch, later
	Until  *shop.Day `json:"until"`
	Reason string    `json:"reason"`
}

// A Clash is a job or service without room; a person decides.
type Clash struct {
	ID     string   `json:"id"`
	Unit   string   `json:"unit"`
	Depot  string   `json:"depot"`
	Reason string   `json:"reason"`
	Bumps  []Bump   `json:"bumps"` // visits each of which would make room, the lightest first
	Fixed  shop.Day `json:"-"`     // the day a person chose, when that is what clashes
}

// A Bump is a visit that would have to move.
type Bump struct {
	Unit   string   `json:"unit"`
	Job    string   `json:"job,omitempty"`
	Day    shop.Day `json:"day"`
	Person bool     `json:"by_person"` // a person fixed it
}

// A Load is how full one day of a depot is, in technician hours.
type Load struct {
	Depot    string   `json:"depot"`
	Day      shop.Day `json:"day"`
	Hours    float64  `json:"hours"`    // of the technicians
	Promised float64  `json:"promised"` // to other work
	Booked   float64  `json:"booked"`
	Free     float64  `json:"kept_free"`
}

// A Plan holds every job and service of its input exactly once, as a visit, waiting or a clash.
type Plan struct {
	Today   shop.Day  `json:"today"`
	Visits  []Visit   `json:"visits"`
	Waiting []Waiting `json:"waiting"`
	Clashes []Clash   `json:"clashes"`
	Loads   []Load    `json:"loads"` // of days on which a depot is open
}

// ErrInput is returned for an input that names something twice.
var ErrInput = errors.New("schedule input")

// Make makes the plan. It changes nothing of its input.
func Make(in Input) (*Plan, error) {
	if err := in.check(); err != nil {
		return nil, err
	}
	p := newPlanner(in)
	for _, f := range p.fixed {
		p.fix(f)
	}
	for _, j := range p.jobs {
		p.place(j)
	}
	for _, s := range p.services {
		p.serve(s)
	}
	return p.plan(), nil
}

func (in *Input) check() error {
	seen := map[string]bool{}
	one := func(id string) error {
		if id == "" || seen[id] {
			return fmt.Errorf("%w: %q comes twice or is empty", ErrInput, id)
		}
		seen[id] = true
		return nil
	}
	var errs []error
	for _, j := range in.Jobs {
		errs = append(errs, one(j.ID))
		if !(j.Hours > 0) || j.RideHours < 0 || j.Rank < Stop || j.Rank > Note {
			errs = append(errs, fmt.Errorf("%w: job %q: hours %v, rank %d", ErrInput, j.ID, j.Hours, j.Rank))
		}
	}
	units := map[string]bool{}
	for _, s := range in.Services {
		errs = append(errs, one(s.ID))
		if units[s.Unit] {
			errs = append(errs, fmt.Errorf("%w: unit %q has two next PM services", ErrInput, s.Unit))
		}
		units[s.Unit] = true
	}
	seen = map[string]bool{}
	for _, f := range in.Fixed {
		errs = append(errs, one(f.ID))
	}
	for _, d := range in.Deferrals {
		errs = append(errs, one(d.ID))
	}
	if in.Days < 1 {
		errs = append(errs, fmt.Errorf("%w: %d days", ErrInput, in.Days))
	}
	return errors.Join(errs...)
}

// byUrgency is the order in which jobs choose.
func byUrgency(a, b *Job) int {
	by := func(j *Job) shop.Day {
		switch {
		case j.Now:
			return -1 << 30
		case j.By == nil:
			return 1 << 30
		}
		return *j.By
	}
	return cmp.Or(a.Rank-b.Rank, cmp.Compare(by(a), by(b)), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.ID, b.ID))
}

func (p *planner) plan() *Plan {
	out := p.out
	slices.SortFunc(out.Visits, func(a, b Visit) int {
		return cmp.Or(cmp.Compare(a.Depot, b.Depot), cmp.Compare(a.Day, b.Day), a.rank-b.rank, cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Job+a.Service, b.Job+b.Service))
	})
	slices.SortFunc(out.Waiting, func(a, b Waiting) int { return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.ID, b.ID)) })
	for _, name := range p.depots {
		out.Loads = append(out.Loads, p.rooms[name].loads()...)
	}
	return &out
}
