package review

import (
	"cmp"
	"math"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

// A Share is a share with its counts and 95 % interval.
type Share struct {
	Of    int     `json:"of"` // so many of ...
	N     int     `json:"n"`  // ... these
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// ShareOf is k of n with the score interval of Wilson (1927), which holds for small counts and at both ends.
// With n = 0 nothing is known: the interval is 0 to 1.
func ShareOf(k, n int) Share {
	if n == 0 {
		return Share{High: 1}
	}
	const z = 1.959963984540054 // of 95 %
	p, m := float64(k)/float64(n), float64(n)
	mid := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return Share{k, n, p, max(0, mid-half), min(1, mid+half)}
}

// A Row is the cases of one family or consequence class.
type Row struct {
	Name      string         `json:"name"`
	Raised    int            `json:"raised"` // alerts that were forecasts
	Results   map[Result]int `json:"results"`
	Surprises int            `json:"surprises"` // codes without an alert
	Warned    int            `json:"warned"`    // codes with one
	Comebacks int            `json:"comebacks"`
	Right     Share          `json:"right"`    // of the decided alerts
	Needless  Share          `json:"needless"` // likewise
	Foretold  Share          `json:"foretold"` // of the codes that came
	LeadDays  []float64      `json:"-"`
	Lead      *float64       `json:"lead_median_days"`
}

// Count is how many cases came out in a way, by its name, for pages.
func (r Row) Count(result string) int { return r.Results[Result(result)] }

// A Review is a stretch of time.
type Review struct {
	From      time.Time  `json:"from"`
	Until     time.Time  `json:"until"`
	Total     Row        `json:"total"`
	Families  []Row      `json:"families"`
	Classes   []Row      `json:"classes"`
	Look      []Look     `json:"look"` // the most instructive cases
	Money     Money      `json:"money"`
	Campaigns []Campaign `json:"campaigns"` // suggested now, from what stands
}

// A Look is a case worth reading.
type Look struct {
	Order  string `json:"order,omitempty"`
	Alert  string `json:"alert,omitempty"`
	Unit   string `json:"unit"`
	Result Result `json:"result"`
	Words  string `json:"words"`
}

// instructive is which results teach most, first.
var instructive = []Result{WrongRepair, StillBad, Needless, Late, Other}

// lookAt is how many cases a month's review names.
const lookAt = 5

// Make makes the review of [from, until).
func Make(all []alerts.Alert, orders []alerts.WorkOrder, from, until time.Time, p Prices) Review {
	r := Review{From: from, Until: until}
	fam, class := map[string]*Row{}, map[string]*Row{}
	total := &Row{Name: "all"}
	row := func(m map[string]*Row, name string) *Row {
		if m[name] == nil {
			m[name] = &Row{Name: name}
		}
		return m[name]
	}
	each := func(a *alerts.Alert, do func(*Row)) {
		do(total)
		do(row(fam, a.Family))
		do(row(class, string(a.Consequence)))
	}
	in := func(t time.Time) bool { return !t.Before(from) && t.Before(until) }
	for i := range all {
		a := &all[i]
		switch {
		case !in(a.RaisedAt) || a.State == alerts.Withdrawn || a.Kind == analyze.NotRunning || a.Kind == alerts.Reported:
		case a.Kind == analyze.Surprise:
			each(a, func(x *Row) { x.Surprises++ })
			r.Look = append(r.Look, Look{Alert: a.ID, Unit: a.Unit, Words: a.Reason, Result: "surprise"})
		default:
			each(a, func(x *Row) { x.Raised++ })
		}
	}
	var hits []alerts.Consequence
	needless := 0
	for i := range orders {
		o := &orders[i]
		if !in(at(o)) || len(o.Alerts) == 0 {
			continue
		}
		res, a := ResultOf(o), &o.Alerts[0]
		if f := foretold(o); f != nil {
			a = f
		}
		days, known := lead(o)
		each(a, func(x *Row) {
			if x.Results == nil {
				x.Results = map[Result]int{}
			}
			x.Results[res]++
			x.Comebacks += o.Comebacks
			if o.FirstCode != nil && foretold(o) != nil {
				x.Warned++
			}
			if known && (res == Hit || res == Late) {
				x.LeadDays = append(x.LeadDays, days)
			}
		})
		switch res {
		case Hit:
			hits = append(hits, a.Consequence)
		case Needless:
			needless++
		}
		if slices.Contains(instructive, res) {
			words := a.Reason
			if x := o.Last(); x != nil && x.Verdict != nil {
				words = x.Verdict.Words
			}
			r.Look = append(r.Look, Look{Order: o.ID, Unit: o.Unit, Result: res, Words: words})
		}
	}
	r.Total = total.sum()
	for _, m := range []struct {
		from map[string]*Row
		to   *[]Row
	}{{fam, &r.Families}, {class, &r.Classes}} {
		*m.to = []Row{}
		for _, x := range m.from {
			*m.to = append(*m.to, x.sum())
		}
		slices.SortFunc(*m.to, func(a, b Row) int { return cmp.Compare(a.Name, b.Name) })
	}
	order := func(l Look) int {
		if i := slices.Index(instructive, l.Result); i >= 0 {
			return i
		}
		return len(instructive)
	}
	slices.SortStableFunc(r.Look, func(a, b Look) int {
		return cmp.Or(order(a)-order(b), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Order+a.Alert, b.Order+b.Alert))
	})
	r.Look = r.Look[:min(len(r.Look), lookAt)]
	r.Money = p.money(hits, needless)
	return r
}

// sum works the shares out.
func (x *Row) sum() Row {
	if x.Results == nil {
		x.Results = map[Result]int{}
	}
	right := x.Results[Hit] + x.Results[Late] + x.Results[WrongRepair]
	decided := right + x.Results[Needless]
	x.Right, x.Needless, x.Foretold = ShareOf(right, decided), ShareOf(x.Results[Needless], decided), ShareOf(x.Warned, x.Warned+x.Surprises)
	if n := len(x.LeadDays); n > 0 {
		slices.Sort(x.LeadDays)
		m := (x.LeadDays[(n-1)/2] + x.LeadDays[n/2]) / 2
		x.Lead = &m
	}
	return *x
}
