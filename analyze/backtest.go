package analyze

import (
	"context"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A Trial is what some settings would have said about a fleet's own history. Alerts are claims of one family of
// monitors on one unit that stand together or follow one another within 30 days, counted once; claims that a test no longer
// runs are left out. All shares and rates come with 95 % intervals.
//
// History tells which codes came. It does not tell which alert was needless: a unit that was repaired in
// time sets no code. Unfollowed is therefore an upper bound of the needless alerts.
type Trial struct {
	Settings    string
	Parameters  string // version of the cohort parameters in force at the end of the window
	From, Until time.Time
	Units       int     // with readings in the window
	Months      float64 // vehicle-months between first and last reading

	Alerts     int
	Undecided  int // younger than Horizon at the end of the window, and no code yet
	Unfollowed int // no confirmed code of the family within Horizon
	Horizon    time.Duration

	Codes    int       // first confirmed codes of a family with a monitored test
	Preceded int       // with an alert of the family within Horizon before
	Leads    []float64 // days from alert to code of those, ascending

	Classes map[string]*ClassTrial // by Window.Class
}

// A Range is a figure with its interval.
type Range struct{ Value, Low, High float64 }

// UnfollowedRate is the number of unfollowed alerts in 100 vehicle-months.
func (t *Trial) UnfollowedRate() Range {
	lo, hi := poissonRange(t.Unfollowed)
	f := 100 / t.Months
	return Range{float64(t.Unfollowed) * f, lo * f, hi * f}
}

// PrecededShare is the share of codes that an alert came before.
func (t *Trial) PrecededShare() Range { return wilson(t.Preceded, t.Codes) }

// AheadShare is the share of codes that an alert came before by at least that many days.
func (t *Trial) AheadShare(days float64) Range { return wilson(t.Ahead(days), t.Codes) }

// Ahead is the number of these codes.
func (t *Trial) Ahead(days float64) int { return len(t.Leads) - sortedBelow(t.Leads, days) }

// Lead is a quantile of the lead times, in days; NaN when there are none.
func (t *Trial) Lead(q float64) float64 {
	if len(t.Leads) == 0 {
		return math.NaN()
	}
	return t.Leads[int(q*float64(len(t.Leads)-1)+0.5)]
}

func sortedBelow(x []float64, limit float64) int {
	n, _ := slices.BinarySearch(x, limit)
	return n
}

// wilson is a share with its 95 % interval (Wilson 1927, Journal of the American Statistical Association
// 22:209).
func wilson(k, n int) Range {
	const z = 1.96
	if n == 0 {
		return Range{math.NaN(), 0, 1}
	}
	p, m := float64(k)/float64(n), float64(n)
	mid, half := p+z*z/(2*m), z*math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	return Range{p, max(0, (mid-half)/(1+z*z/m)), min(1, (mid+half)/(1+z*z/m))}
}

// poissonRange is the 95 % interval of the mean of a Poisson count, by Byar's approximation (Breslow and Day
// 1987, Statistical Methods in Cancer Research II, section 2.3).
func poissonRange(k int) (lo, hi float64) {
	const z = 1.96
	at := func(n, z float64) float64 {
		x := 1 - 1/(9*n) + z/(3*math.Sqrt(n))
		return n * x * x * x
	}
	if k > 0 {
		lo = at(float64(k), -z)
	}
	return lo, at(float64(k+1), z)
}

// usualHorizon is how long before a code an alert still counts as its warning.
const usualHorizon = 90 * day

// A Window is what part of the history a backtest looks at.
type Window struct {
	From, Until time.Time                        // what is raised then counts; zero for all. Readings before From are learnt from
	Horizon     time.Duration                    // 0 means 90 days
	Class       func(unit, family string) string // consequence class of a family on a unit; nil: one class for all
	Progress    func(share float64)              // told now and then how far it is, from many goroutines; may be nil
}

// Backtest replays the whole history of the roster with some settings beside each other, in one pass and apart from
// the runner's own state, and says what each would have raised.
func (r *Runner) Backtest(ctx context.Context, w Window, sets ...Settings) ([]*Trial, error) {
	if w.Horizon == 0 {
		w.Horizon = usualHorizon
	}
	f := folding{until: w.Until, progress: w.Progress}
	trials := make([]*Trial, len(sets))
	of := map[*Settings]*Trial{}
	for i := range sets {
		trials[i] = &Trial{Settings: sets[i].Version, Parameters: Shipped, From: w.From, Until: w.Until, Horizon: w.Horizon,
			Classes: map[string]*ClassTrial{}}
		f.sets = append(f.sets, &sets[i])
		of[&sets[i]] = trials[i]
	}
	err := r.refold(ctx, r.choose(r.roster(), nil), f, func(v *Vehicle) error {
		of[v.set].count(v, micros(w.From), w.Class)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("backtest: %w", err)
	}
	for _, t := range trials {
		slices.Sort(t.Leads)
	}
	return trials, nil
}

// count adds what a unit's state says.
func (t *Trial) count(v *Vehicle, from int64, class func(unit, family string) string) {
	if !v.any || v.last <= from {
		return
	}
	t.Units++
	if p := v.params.versionAt(v.last); p != Shipped && (t.Parameters == Shipped || p > t.Parameters) {
		t.Parameters = p
	}
	start := max(v.first, from)
	t.Months += float64(v.last-start) / dayMicros / 30.44
	horizon := t.Horizon.Microseconds()
	type episode struct {
		family     string
		at, stands int64 // raised; the last time that it stood
	}
	var alerts []episode
	for i := range v.signals {
		s := &v.signals[i]
		if s.Kind == Surprise || s.Kind == NotRunning {
			continue
		}
		at, stands := micros(s.RaisedAt), v.last
		if s.Ended != "" {
			stands = micros(s.EndedAt)
		}
		k := -1
		for j := range alerts {
			if e := &alerts[j]; e.family == s.Family && at-e.stands <= (30*day).Microseconds() {
				k = j
			}
		}
		if k < 0 {
			alerts = append(alerts, episode{s.Family, at, stands})
		} else {
			alerts[k].stands = max(alerts[k].stands, stands)
		}
	}
	type event struct {
		family string
		at     int64
	}
	var codes []event
	for _, c := range v.codes {
		family := v.monitors.CodeFamily(c.code)
		if family == "" || c.at < start || c.at-v.first < v.set.SurpriseAfter.Microseconds() || !v.monitored(family) {
			continue
		}
		if !slices.ContainsFunc(codes, func(e event) bool { return e.family == family && c.at-e.at <= horizon }) {
			codes = append(codes, event{family, c.at})
		}
	}
	for _, e := range alerts {
		if e.at < start {
			continue
		}
		t.Alerts++
		c := t.class(v.unit, e.family, class)
		c.Alerts++
		switch followed := slices.ContainsFunc(codes, func(c event) bool {
			return c.family == e.family && c.at >= e.at && c.at-e.at <= horizon
		}); {
		case followed:
			c.Followed++
		case v.last-e.at < horizon:
			t.Undecided++
			c.Undecided++
		default:
			t.Unfollowed++
			c.Unfollowed++
		}
	}
	for _, c := range codes {
		t.Codes++
		for _, e := range alerts { // the first that warned
			if e.family == c.family && e.at < c.at && c.at-e.stands <= horizon {
				t.Preceded++
				t.Leads = append(t.Leads, float64(c.at-e.at)/dayMicros)
				break
			}
		}
	}
}

func (t *Trial) class(unit, family string, class func(unit, family string) string) *ClassTrial {
	name := ""
	if class != nil {
		name = class(unit, family)
	}
	c := t.Classes[name]
	if c == nil {
		c = &ClassTrial{}
		t.Classes[name] = c
	}
	return c
}

// With is the settings with some thresholds changed, each given as name=value, and named after them. The
// names are those of the fields with a number, in lower case with underscores: threshold=12, gate_used=0.4.
func (s Settings) With(changes []string) (Settings, error) {
	s.Families = maps.Clone(s.Families)
	v := reflect.ValueOf(&s).Elem()
	for _, c := range changes {
		name, value, ok := strings.Cut(c, "=")
		f := v.FieldByNameFunc(func(field string) bool { return snake(field) == name })
		if !ok || !f.IsValid() || !f.CanFloat() && f.Kind() != reflect.Int {
			return s, fmt.Errorf("setting %q: want name=number with one of %s", c, strings.Join(numberNames(v.Type()), ", "))
		}
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || f.Kind() == reflect.Int && x != math.Trunc(x) {
			return s, fmt.Errorf("setting %q: %q is not a number this setting can have", name, value)
		}
		if x < 0 || x > 1e6 {
			return s, fmt.Errorf("setting %q: %q is out of range", name, value)
		}
		if f.CanFloat() {
			f.SetFloat(x)
		} else {
			f.SetInt(int64(x))
		}
		s.Version += "+" + name + "=" + value
	}
	return s, nil
}

// A Number is a setting that is one number, with the name that With takes.
type Number struct {
	Name  string
	Value float64
}

// Numbers are the settings that With can change, in the order of their fields.
func (s Settings) Numbers() []Number {
	var out []Number
	v := reflect.ValueOf(s)
	for i := range v.NumField() {
		name := snake(v.Type().Field(i).Name)
		switch f := v.Field(i); f.Kind() {
		case reflect.Float64:
			out = append(out, Number{name, f.Float()})
		case reflect.Int:
			out = append(out, Number{name, float64(f.Int())})
		}
	}
	return out
}

func numberNames(t reflect.Type) (names []string) {
	for i := range t.NumField() {
		if k := t.Field(i).Type.Kind(); k == reflect.Float64 || k == reflect.Int {
			names = append(names, snake(t.Field(i).Name))
		}
	}
	return names
}

func snake(s string) string {
	var b strings.Builder
	for i, c := range s {
		if c >= 'A' && c <= 'Z' {
			if i > 0 {
				b.WriteByte('_')
			}
			c += 'a' - 'A'
		}
		b.WriteRune(c)
	}
	return b.String()
}
