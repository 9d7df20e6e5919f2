package schedule

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"marginline/alerts/shop"
)

var someSkills, someKinds = []string{"evap", "diesel", "hybrid"}, []string{"lift", "vapour_safe"}

var weekNames = []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}

func drawDepot(t *rapid.T, name string) shop.Depot {
	some := func(of []string, label string) []string {
		var out []string
		for _, s := range of {
			if rapid.Bool().Draw(t, label) {
				out = append(out, s)
			}
		}
		return out
	}
	d := shop.Depot{Name: name, TimeZone: "UTC", Open: map[string]float64{}, Promised: map[string]float64{}, EarlyShare: 0.1, KeepFree: rapid.SampledFrom([]float64{0, 0.15, 0.2}).Draw(t, "free"),
		LeadDays: rapid.IntRange(0, 2).Draw(t, "lead"), ServiceH: 2}
	for _, w := range weekNames {
		if h := rapid.SampledFrom([]float64{0, 4, 7.5, 8}).Draw(t, "open"); h > 0 {
			d.Open[w] = h
		}
	}
	for i := range rapid.IntRange(1, 3).Draw(t, "bays") {
		d.Bays = append(d.Bays, shop.Bay{Name: fmt.Sprint("bay", i), Kinds: some(someKinds, "kind")})
	}
	for i := range rapid.IntRange(1, 3).Draw(t, "techs") {
		tech := shop.Technician{Name: fmt.Sprint("tech", i), Skills: some(someSkills, "skill")}
		if rapid.Bool().Draw(t, "away") {
			tech.Away = []string{(today + shop.Day(rapid.IntRange(0, 10).Draw(t, "when"))).String()}
		}
		d.Technicians = append(d.Technicians, tech)
	}
	for range rapid.IntRange(0, 3).Draw(t, "closed") {
		d.Closed = append(d.Closed, (today + shop.Day(rapid.IntRange(0, 15).Draw(t, "closed day"))).String())
	}
	d.Promised[(today + 1).String()] = float64(rapid.IntRange(0, 9).Draw(t, "promised"))
	return d
}

func drawInput(t *rapid.T) Input {
	in := Input{Today: today, Days: rapid.IntRange(1, 40).Draw(t, "days"), Depots: []shop.Depot{drawDepot(t, "A"), drawDepot(t, "B")}}
	some := func(from, to int, label string) *shop.Day {
		if rapid.IntRange(0, 3).Draw(t, label+"?") == 0 {
			return nil
		}
		return ptr(today + shop.Day(rapid.IntRange(from, to).Draw(t, label)))
	}
	for i := range rapid.IntRange(0, 40).Draw(t, "jobs") {
		j := Job{ID: fmt.Sprint("j", i), Unit: fmt.Sprint("u", i/2), Depot: rapid.SampledFrom([]string{"A", "A", "A", "B", "C"}).Draw(t, "depot"), Rank: rapid.IntRange(0, 4).Draw(t, "rank"),
			Now: rapid.IntRange(0, 5).Draw(t, "now") == 0, By: some(-5, 50, "by"), Hours: float64(rapid.IntRange(1, 18).Draw(t, "hours")) / 3, RideHours: 0.5,
			ColdSoak: rapid.Bool().Draw(t, "soak"), NotBefore: some(-3, 9, "parts")}
		if rapid.Bool().Draw(t, "needs skill") {
			j.Skills = []string{rapid.SampledFrom(someSkills).Draw(t, "skill")}
		}
		if rapid.Bool().Draw(t, "needs bay") {
			j.Bay = []string{rapid.SampledFrom(someKinds).Draw(t, "bay")}
		}
		if d := some(0, 9, "blackout"); d != nil {
			j.Blackout = []shop.Day{*d}
		}
		in.Jobs = append(in.Jobs, j)
		switch rapid.IntRange(0, 5).Draw(t, "decided") {
		case 0:
			f := Fixed{ID: j.ID, Day: today + shop.Day(rapid.IntRange(-3, 12).Draw(t, "fixed day")), Who: "Priya"}
			if rapid.Bool().Draw(t, "chooses bay") {
				f.Bay = "bay0"
			}
			if i%2 == 0 && rapid.Bool().Draw(t, "with service") {
				f.Service = "s" + j.Unit
			}
			in.Fixed = append(in.Fixed, f)
		case 1:
			in.Deferrals = append(in.Deferrals, Deferral{ID: j.ID, Until: today + shop.Day(rapid.IntRange(-3, 12).Draw(t, "until")), Who: "Odalys"})
		}
		if i%2 == 0 && rapid.Bool().Draw(t, "has service") {
			in.Services = append(in.Services, Service{ID: "s" + j.Unit, Unit: j.Unit, Depot: j.Depot, Due: today + shop.Day(rapid.IntRange(-10, 60).Draw(t, "due")), IntervalDays: 90})
		}
	}
	return in
}

// No plan exceeds bays, hours or skills, books a closed day or the past, loses or doubles a job, or changes
// what a person decided. The sums are made here from the plan alone, apart from the planner's own books.
func TestPlanKeepsItsPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		plan, err := Make(in)
		if err != nil {
			t.Fatal(err)
		}
		jobs, services, depots := map[string]*Job{}, map[string]*Service{}, map[string]*shop.Depot{}
		for i := range in.Jobs {
			jobs[in.Jobs[i].ID] = &in.Jobs[i]
		}
		for i := range in.Services {
			services[in.Services[i].ID] = &in.Services[i]
		}
		for i := range in.Depots {
			depots[in.Depots[i].Name] = &in.Depots[i]
		}
		count := map[string]int{}
		type slot struct {
			depot string
			day   shop.Day
			who   string
		}
		hours, person := map[slot]float64{}, map[slot]float64{}
		for _, v := range plan.Visits {
			d := depots[v.Depot]
			if d == nil || d.OpenHours(v.Day) == 0 || v.Day < today || v.Day >= today+shop.Day(in.Days) {
				t.Fatalf("%+v: closed, past or beyond the plan", v)
			}
			bay, tech := slices.IndexFunc(d.Bays, func(b shop.Bay) bool { return b.Name == v.Bay }), slices.IndexFunc(d.Technicians, func(x shop.Technician) bool { return x.Name == v.Technician })
			want := 0.0
			if j := jobs[v.Job]; j != nil {
				count[v.Job]++
				for _, s := range j.Skills {
					if !slices.Contains(d.Technicians[tech].Skills, s) {
						t.Fatalf("%+v: %s has no %s", v, v.Technician, s)
					}
				}
				for _, k := range j.Bay {
					if !slices.Contains(d.Bays[bay].Kinds, k) {
						t.Fatalf("%+v: bay %s is no %s", v, v.Bay, k)
					}
				}
				if v.Kind != ByPerson && (slices.Contains(j.Blackout, v.Day) || j.NotBefore != nil && v.Day < *j.NotBefore || j.ColdSoak && v.Day == today) {
					t.Fatalf("%+v: day against the needs of %+v", v, j)
				}
				if j.By != nil && v.Day >= *j.By && !v.Risk {
					t.Fatalf("%+v: after the bound %v without a word", v, *j.By)
				}
				want = j.Hours
			}
			if s := services[v.Service]; s != nil {
				count[v.Service]++
				want = d.ServiceH
				if j := jobs[v.Job]; j != nil {
					want += j.RideHours
				}
				if v.Kind != ByPerson && v.Day < s.Due-shop.Day(d.EarlyShare*s.IntervalDays) {
					t.Fatalf("%+v: before the early window of %+v", v, s)
				}
			}
			if v.Reason == "" || v.Hours < want || v.Hours > want+1.0/60 {
				t.Fatalf("%+v: want %v h and a reason", v, want)
			}
			hours[slot{v.Depot, v.Day, "bay " + v.Bay}] += v.Hours
			hours[slot{v.Depot, v.Day, "tech " + v.Technician}] += v.Hours
			hours[slot{v.Depot, v.Day, ""}] += v.Hours
			if v.Kind == ByPerson {
				person[slot{v.Depot, v.Day, ""}] += v.Hours
			}
		}
		for _, v := range plan.Visits { // a unit is in one bay at a time: its service alone does not come on the day of another visit
			if v.Job == "" && v.Kind != ByPerson && slices.ContainsFunc(plan.Visits, func(o Visit) bool { return o.Job != "" && o.Unit == v.Unit && o.Day == v.Day }) {
				t.Fatalf("%+v: the unit comes for a job on that day: %+v", v, plan.Visits)
			}
		}
		const eps = 1e-6
		for at, h := range hours {
			d := depots[at.depot]
			work := 0.0
			for i := range d.Technicians {
				w := d.WorkHours(&d.Technicians[i], at.day)
				work += w
				if at.who == "tech "+d.Technicians[i].Name && h > w+eps {
					t.Fatalf("%v works %v of %v h", at, h, w)
				}
			}
			most := work - d.Promised[at.day.String()]
			switch {
			case at.who == "" && (h > most+eps || h > max(most-work*d.KeepFree, person[at])+eps):
				t.Fatalf("%v: %v h booked of %v, a person %v, kept free %v", at, h, most, person[at], work*d.KeepFree)
			case at.who != "" && at.who[:3] == "bay" && h > d.OpenHours(at.day)+eps:
				t.Fatalf("%v: %v h", at, h)
			}
		}
		for _, w := range plan.Waiting {
			count[w.ID]++
		}
		for _, c := range plan.Clashes {
			count[c.ID]++
		}
		for _, id := range append(keys(jobs), keys(services)...) {
			if count[id] != 1 {
				t.Fatalf("%s is in the plan %d times: %+v", id, count[id], plan)
			}
		}
		for _, f := range in.Fixed {
			if f.Day < today {
				continue
			}
			at := slices.IndexFunc(plan.Visits, func(v Visit) bool { return v.Job == f.ID })
			clash := slices.ContainsFunc(plan.Clashes, func(c Clash) bool { return c.ID == f.ID && c.Fixed == f.Day })
			if at < 0 && !clash || at >= 0 && (plan.Visits[at].Day != f.Day || plan.Visits[at].Kind != ByPerson || f.Bay != "" && plan.Visits[at].Bay != f.Bay) {
				t.Fatalf("a person chose %+v", f)
			}
		}
		for _, d := range in.Deferrals {
			if off := slices.ContainsFunc(plan.Waiting, func(w Waiting) bool { return w.ID == d.ID && w.Why == "deferred" }); off != (d.Until > today) {
				t.Fatalf("deferral %+v: waiting %v", d, off)
			}
		}
	})
}

func keys[V any](m map[string]V) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	return out
}

// The same inputs give the same plan, in whatever order they come.
func TestSameInputsSamePlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := drawInput(t)
		first, err := Make(in)
		if err != nil {
			t.Fatal(err)
		}
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 1))
		mixed := in
		mixed.Jobs, mixed.Services, mixed.Fixed, mixed.Deferrals, mixed.Depots = slices.Clone(in.Jobs), slices.Clone(in.Services), slices.Clone(in.Fixed), slices.Clone(in.Deferrals), slices.Clone(in.Depots)
		r.Shuffle(len(mixed.Jobs), func(i, j int) { mixed.Jobs[i], mixed.Jobs[j] = mixed.Jobs[j], mixed.Jobs[i] })
		r.Shuffle(len(mixed.Services), func(i, j int) { mixed.Services[i], mixed.Services[j] = mixed.Services[j], mixed.Services[i] })
		r.Shuffle(len(mixed.Fixed), func(i, j int) { mixed.Fixed[i], mixed.Fixed[j] = mixed.Fixed[j], mixed.Fixed[i] })
		r.Shuffle(len(mixed.Deferrals), func(i, j int) {
			mixed.Deferrals[i], mixed.Deferrals[j] = mixed.Deferrals[j], mixed.Deferrals[i]
		})
		slices.Reverse(mixed.Depots)
		second, err := Make(mixed)
		if err != nil {
			t.Fatal(err)
		}
		slices.SortFunc(first.Clashes, byID)
		slices.SortFunc(second.Clashes, byID)
		if !reflect.DeepEqual(first, second) {
			t.Fatalf("\n%+v\n%+v", first, second)
		}
	})
}

func byID(a, b Clash) int {
	if a.ID < b.ID {
		return -1
	}
	return 1
}

// BenchmarkPlan is the largest plan asked for: 5,000 open proposals, 50 depots, 12 weeks.
func BenchmarkPlan(b *testing.B) {
	in := Input{Today: today, Days: 84}
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 50 {
		d := yard(b)[0]
		d.Name = fmt.Sprint("depot", i)
		d.Bays = append(d.Bays, shop.Bay{Name: "3"}, shop.Bay{Name: "4"})
		d.Technicians = append(d.Technicians, shop.Technician{Name: "Third", Skills: []string{"evap"}}, shop.Technician{Name: "Fourth", Skills: []string{"diesel"}})
		in.Depots = append(in.Depots, d)
	}
	for i := range 5000 {
		j := Job{ID: fmt.Sprint("j", i), Unit: fmt.Sprint("u", i), Depot: fmt.Sprint("depot", i%50), Rank: 1 + r.IntN(3), By: ptr(today + shop.Day(r.IntN(84))), Hours: 1.5, RideHours: 0.5, Skills: []string{someSkills[r.IntN(2)]}}
		in.Jobs = append(in.Jobs, j)
		in.Services = append(in.Services, Service{ID: "s" + j.Unit, Unit: j.Unit, Depot: j.Depot, Due: today + shop.Day(r.IntN(90)), IntervalDays: 90})
	}
	b.ReportAllocs()
	for b.Loop() {
		p, err := Make(in)
		if err != nil || len(p.Visits) < 2500 {
			b.Fatal(err, len(p.Visits))
		}
	}
}
