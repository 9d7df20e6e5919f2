package schedule

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"marginline/alerts/shop"
)

// today is Monday 25 May 2026.
var today = day("2026-05-25")

func day(s string) shop.Day {
	d, err := shop.ParseDay(s)
	if err != nil {
		panic(err)
	}
	return d
}

func ptr(d shop.Day) *shop.Day { return &d }

const yards = `depots:
  - name: Alder Yard
    time_zone: UTC
    bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2"}]
    open: {mon: 8, tue: 8, wed: 8, thu: 8, fri: 8}
    technicians: [{name: Wes, skills: [evap, diesel]}, {name: Marisol}]
    closed: [2026-05-28]
`

func yard(t testing.TB) []shop.Depot {
	t.Helper()
	f, err := shop.ReadFile(strings.NewReader(yards))
	if err != nil {
		t.Fatal(err)
	}
	return f.Depots
}

func job(id string, rank int, by *shop.Day) Job {
	return Job{ID: id, Unit: "u" + id, Depot: "Alder Yard", Rank: rank, By: by, Hours: 1.5, RideHours: 0.5}
}

func service(unit string, in shop.Day, interval float64) Service {
	return Service{ID: "s" + unit, Unit: unit, Depot: "Alder Yard", Due: today + in, IntervalDays: interval}
}

func make1(t *testing.T, in Input) *Plan {
	t.Helper()
	in.Today = today
	if in.Days == 0 {
		in.Days = 84
	}
	if in.Depots == nil {
		in.Depots = yard(t)
	}
	p, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func visitOf(t *testing.T, p *Plan, id string) Visit {
	t.Helper()
	for _, v := range p.Visits {
		if v.Job == id || v.Service == id {
			return v
		}
	}
	t.Fatalf("no visit for %s: %+v", id, p)
	return Visit{}
}

// The rules, one by one; the figures of the first two rows are those of usual cases
// (common practice, no source: a leak whose bound moved ahead of its PM service; an after-treatment drift before a long run).
func TestRules(t *testing.T) {
	soak := job("soak", RoadCall, ptr(today+5))
	soak.ColdSoak, soak.FuelWindow = true, true
	stored := job("code", Compliance, nil)
	parts := job("parts", RoadCall, ptr(today+20))
	parts.NotBefore = ptr(today + 7)
	away := job("away", RoadCall, ptr(today+6))
	away.Blackout = []shop.Day{today, today + 1}
	for _, c := range []struct {
		name string
		job  Job
		svc  *Service
		kind Kind
		day  shop.Day
		risk bool
		says string
	}{
		{"pulled forward to the last open day before the bound", job("1", Compliance, ptr(today+6)), p(service("u1", 9, 90)), PullForward, 4, false, "pulled forward"},
		{"own visit where the service cannot come so early", job("2", RoadCall, ptr(today+4)), p(service("u2", 31, 120)), OwnVisit, 0, false, "cannot come so early"},
		{"rides along", job("3", Cost, ptr(today+40)), p(service("u3", 10, 90)), RideAlong, 10, false, "Rides along"},
		{"three days after the service are not enough", job("4", RoadCall, ptr(today+13)), p(service("u4", 10, 20)), PullForward, 10, false, "pulled forward"},
		{"cost accepts the risk knowingly", job("5", Cost, ptr(today+6)), p(service("u5", 30, 90)), RideAlong, 30, true, "Accept that knowingly"},
		{"cost without a service", job("6", Cost, ptr(today+6)), nil, OwnVisit, 0, false, "no PM service is known"},
		{"no bound, service soon", job("7", Cost, nil), p(service("u7", 21, 90)), RideAlong, 21, false, "not enough evidence"},
		{"no bound, service far", job("8", Cost, nil), p(service("u8", 50, 90)), OwnVisit, 0, false, "within 30 days"},
		{"a stored code", stored, p(service("ucode", 50, 90)), OwnVisit, 0, false, "first day with room"},
		{"bound reached", job("9", Compliance, ptr(today-2)), nil, OwnVisit, 0, true, "is reached"},
		{"a stored code, and the service is overdue", job("10", RoadCall, nil), p(service("u10", -5, 90)), RideAlong, 0, false, "first day with room. The PM service due 2026-05-20 is done along with it."},
		{"bound reached, inside the early window", job("11", RoadCall, ptr(today-2)), p(service("u11", 9, 90)), PullForward, 0, true, "is reached. The PM service due 2026-06-03 is done along with it."},
		{"bound reached, before the early window", job("12", RoadCall, ptr(today-2)), p(service("u12", 10, 90)), OwnVisit, 0, true, "is reached."},
		{"cold soak needs a night", soak, nil, OwnVisit, 1, false, "Own visit"},
		{"parts come first", parts, nil, OwnVisit, 7, false, "Own visit"},
		{"days that dispatch needs the unit", away, nil, OwnVisit, 2, false, "Own visit"},
	} {
		c.job.Now = c.job.Now || strings.HasPrefix(c.name, "a stored code")
		in := Input{Jobs: []Job{c.job}}
		if c.svc != nil {
			in.Services = []Service{*c.svc}
		}
		v := visitOf(t, make1(t, in), c.job.ID)
		if v.Kind != c.kind || v.Day != today+c.day || v.Risk != c.risk || !strings.Contains(v.Reason, c.says) {
			t.Errorf("%s: %+v", c.name, v)
		}
		want := 1.5
		if c.kind != OwnVisit {
			want = 2.5
		}
		if v.Hours != want {
			t.Errorf("%s: %v h", c.name, v.Hours)
		}
		if c.job.ColdSoak && len(v.Prepare) != 2 {
			t.Errorf("%s: %v", c.name, v.Prepare)
		}
	}
}

func p(s Service) *Service { return &s }

func TestWaiting(t *testing.T) {
	note, later, put := job("n", Note, nil), job("l", RoadCall, ptr(today+200)), job("d", RoadCall, ptr(today+5))
	plan := make1(t, Input{Jobs: []Job{note, later, put}, Services: []Service{service("ul", 100, 90)}, Deferrals: []Deferral{{"d", today + 9, "Odalys", "at the coast until Tuesday"}}})
	got := map[string]string{}
	for _, w := range plan.Waiting {
		got[w.ID] = w.Why
	}
	if want := (map[string]string{"n": "watch", "l": "later", "d": "deferred", "sul": "later"}); !reflect.DeepEqual(got, want) || len(plan.Visits) != 0 {
		t.Errorf("%v %+v", got, plan)
	}
	// A deferral ends by itself.
	plan = make1(t, Input{Jobs: []Job{put}, Deferrals: []Deferral{{"d", today, "Odalys", "until today"}}})
	visitOf(t, plan, "d")
}

// A graver job has the first choice; what does not fit is a clash that names who would have to move.
func TestClashNamesWhoWouldMove(t *testing.T) {
	long := func(id string, rank int, by *shop.Day) Job {
		j := job(id, rank, by)
		j.Hours = 6
		return j
	}
	// 16 technician hours a day less 15 %: two visits of six hours.
	in := Input{Jobs: []Job{long("a", Cost, ptr(today+1)), long("b", RoadCall, ptr(today+1)), long("c", RoadCall, ptr(today+1))},
		Fixed: []Fixed{{ID: "a", Day: today, Who: "Priya", Why: "the driver is here"}}}
	plan := make1(t, in)
	if v := visitOf(t, plan, "a"); v.Kind != ByPerson || v.Day != today {
		t.Errorf("a person's day was taken: %+v", v)
	}
	if len(plan.Clashes) != 1 || plan.Clashes[0].ID != "c" || len(plan.Clashes[0].Bumps) != 1 || plan.Clashes[0].Bumps[0].Job != "a" || !plan.Clashes[0].Bumps[0].Person {
		t.Errorf("%+v", plan.Clashes)
	}
	in.Fixed = nil // now the lighter one waits, by the order of choice
	plan = make1(t, in)
	if len(plan.Clashes) != 1 || plan.Clashes[0].ID != "a" || len(plan.Clashes[0].Bumps) != 0 {
		t.Errorf("%+v", plan.Clashes)
	}
}

func TestWhatAPersonChose(t *testing.T) {
	j := job("1", RoadCall, ptr(today+10))
	s := service("u1", 12, 90)
	for _, c := range []struct {
		name string
		f    Fixed
		want shop.Day // -1: a clash
		says string
	}{
		{"a day", Fixed{ID: "1", Day: today + 2, Who: "Priya", Why: "swap unit ready"}, 2, "Priya chose this day: swap unit ready."},
		{"with bay and technician", Fixed{ID: "1", Day: today + 2, Bay: "2", Technician: "Marisol", Who: "Priya"}, 2, "Priya chose"},
		{"a closed day", Fixed{ID: "1", Day: today + 3, Who: "Priya"}, -1, "is closed"},
		{"a Sunday", Fixed{ID: "1", Day: today + 6, Who: "Priya"}, -1, "is closed"},
		{"nobody of that name", Fixed{ID: "1", Day: today + 2, Technician: "Nemo", Who: "Priya"}, -1, "no room"},
		{"after the bound", Fixed{ID: "1", Day: today + 11, Who: "Odalys"}, 11, "not before"},
		{"did not come", Fixed{ID: "1", Day: today - 1, Who: "Priya"}, 9, "did not come on 2026-05-24"},
	} {
		plan := make1(t, Input{Jobs: []Job{j}, Services: []Service{s}, Fixed: []Fixed{c.f}})
		if c.want < 0 {
			if len(plan.Clashes) != 1 || !strings.Contains(plan.Clashes[0].Reason, c.says) || plan.Clashes[0].Fixed != c.f.Day {
				t.Errorf("%s: %+v", c.name, plan.Clashes)
			}
			continue
		}
		if v := visitOf(t, plan, "1"); v.Day != today+c.want || !strings.Contains(v.Reason, c.says) || c.f.Bay != "" && v.Bay != c.f.Bay {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
	plan := make1(t, Input{Jobs: []Job{j}, Services: []Service{s}, Fixed: []Fixed{{ID: "1", Day: today + 4, Service: s.ID, Who: "Priya"}}})
	if v := visitOf(t, plan, s.ID); v.Job != "1" || v.Hours != 2.5 || len(plan.Visits) != 1 {
		t.Errorf("the service goes along: %+v", plan)
	}
}

func TestSkillsAndBays(t *testing.T) {
	j := job("1", RoadCall, ptr(today+2))
	j.Skills, j.Bay = []string{"evap"}, []string{"vapour_safe"}
	plain := job("2", RoadCall, ptr(today+2))
	plan := make1(t, Input{Jobs: []Job{plain, j}})
	if v := visitOf(t, plan, "1"); v.Technician != "Wes" || v.Bay != "1" {
		t.Errorf("%+v", v)
	}
	if v := visitOf(t, plan, "2"); v.Technician != "Marisol" || v.Bay != "2" {
		t.Errorf("the special bay and technician are kept for who needs them: %+v", v)
	}
	j.Skills = []string{"hybrid"}
	if plan = make1(t, Input{Jobs: []Job{j}}); len(plan.Clashes) != 1 || !strings.Contains(plan.Clashes[0].Reason, "hybrid") {
		t.Errorf("%+v", plan.Clashes)
	}
	j.Depot = "Nowhere"
	if plan = make1(t, Input{Jobs: []Job{j}}); len(plan.Clashes) != 1 || !strings.Contains(plan.Clashes[0].Reason, `no depot "Nowhere"`) {
		t.Errorf("%+v", plan.Clashes)
	}
}

// Both do not fit into what is left of the day: the unit comes at once, and the service comes on another day.
func TestServiceNeverBesideAnotherVisit(t *testing.T) {
	j := job("1", RoadCall, nil)
	j.Now = true
	depots := yard(t)
	for i := range depots[0].Technicians {
		depots[0].Technicians[i].Hours = map[string]float64{"mon": 2.2, "tue": 8, "wed": 8}
	}
	plan := make1(t, Input{Jobs: []Job{j}, Services: []Service{service("u1", -5, 90)}, Depots: depots})
	if v := visitOf(t, plan, "1"); v.Kind != OwnVisit || v.Day != today {
		t.Errorf("%+v", v)
	}
	for _, v := range plan.Visits {
		if v.Job == "" && v.Day != today+1 {
			t.Errorf("the service: %+v", v)
		}
	}
	if len(plan.Visits) != 2 {
		t.Errorf("%+v", plan)
	}
}

func TestServicesAlone(t *testing.T) {
	plan := make1(t, Input{Services: []Service{service("a", 2, 90), service("b", -5, 90), service("c", 6, 90)}})
	if v := visitOf(t, plan, "sa"); v.Day != today+2 || v.Kind != PMService {
		t.Errorf("%+v", v)
	}
	if v := visitOf(t, plan, "sb"); v.Day != today || !v.Risk || !strings.Contains(v.Reason, "overdue") {
		t.Errorf("%+v", v)
	}
	if v := visitOf(t, plan, "sc"); v.Day != today+4 { // due on a Sunday
		t.Errorf("%+v", v)
	}
}

func TestInputAtFault(t *testing.T) {
	j := job("1", Cost, nil)
	for name, in := range map[string]Input{
		"twice": {Days: 5, Jobs: []Job{j, j}}, "no days": {Jobs: []Job{j}}, "two services": {Days: 5, Services: []Service{service("a", 1, 9), {ID: "x", Unit: "a"}}},
		"no hours": {Days: 5, Jobs: []Job{{ID: "1"}}}, "fixed twice": {Days: 5, Fixed: []Fixed{{ID: "1"}, {ID: "1"}}},
	} {
		if _, err := Make(in); !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
