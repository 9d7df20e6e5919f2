package alerts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/series"
)

// Proven is what the tests say about a repair.
type Proven string

// The answers to "did the margin come back?".
const (
	ProofWaiting      Proven = "waiting"       // for runs
	ProofRecovered    Proven = "recovered"     // the last runs are near the old healthy level
	ProofPartly       Proven = "partly"        // better, not healthy
	ProofNotRecovered Proven = "not_recovered" // as bad as before
	ProofCannotTell   Proven = "cannot_tell"   // what is measured now does not compare with what was
)

// gravest first: the verdict on an order is the gravest of its tests.
var provens = []Proven{ProofNotRecovered, ProofWaiting, ProofPartly, ProofCannotTell, ProofRecovered}

// A Verdict is what is known of a repair.
type Verdict struct {
	State    Proven     `json:"state"`
	Tests    []Proof    `json:"tests"`
	Expected *time.Time `json:"expected"` // when the runs should be there, by the unit's own rate; nil when unknown
	Chase    bool       `json:"chase"`    // that day has passed
	Words    string     `json:"words"`
}

// A Proof is one test of it.
type Proof struct {
	Test     string     `json:"test"`
	ECU      string     `json:"ecu"`
	Name     string     `json:"name"`
	State    Proven     `json:"state"`
	Runs     int        `json:"runs"` // fresh results since the visit
	Need     int        `json:"need"`
	Healthy  *float64   `json:"healthy"` // the old level
	Spread   *float64   `json:"spread"`
	Now      *float64   `json:"now"`    // median of the last runs
	Before   *float64   `json:"before"` // share of the way to the limit used before the visit
	After    *float64   `json:"after"`  // and after it
	UCUM     string     `json:"unit_of_measure"`
	Missing  string     `json:"missing"` // what the test waits for
	Expected *time.Time `json:"expected"`
}

// Where the lines are drawn: within two spreads of the old healthy level is recovered; beyond three quarters
// of what had been used is no better (common practice, no source; the three quarters are an assumption of ours).
const (
	healthySpreads = 2.0
	noBetter       = 0.75
	goneAfter      = 14 * 24 * time.Hour // reports without the test
)

// A Repair is what Prove needs to know.
type Repair struct {
	At      time.Time // when the work ended
	Tests   []Evidence
	Courses map[series.Key]*analyze.Trace // of the unit
	Unit    string
	Newest  time.Time // newest report of the unit
	Now     time.Time
	Names   Namer
}

// Prove says whether the margin came back. It is a pure function: only fresh runs after the visit count, and
// they are compared with the level that was healthy before the drift, never with the sick one. kb nil is the
// built-in knowledge.
func Prove(r Repair, family func(test string) string, kb *knowledge.Base) Verdict {
	if kb == nil {
		kb = knowledge.Builtin()
	}
	v := Verdict{State: ProofCannotTell, Words: "No test with a limit stands behind this order: nothing can prove it."}
	for _, e := range r.tests(family) {
		v.Tests = append(v.Tests, r.prove(e, kb.For(family(e.Test), e.Test)))
	}
	if len(v.Tests) == 0 {
		return v
	}
	worst := slices.MinFunc(v.Tests, func(a, b Proof) int { return slices.Index(provens, a.State) - slices.Index(provens, b.State) })
	v.State = worst.State
	for _, p := range v.Tests {
		if p.State == ProofWaiting && p.Expected != nil && (v.Expected == nil || p.Expected.After(*v.Expected)) {
			v.Expected = p.Expected
		}
	}
	v.Chase = v.State == ProofWaiting && v.Expected != nil && r.Now.After(*v.Expected)
	v.Words = v.words(worst)
	return v
}

// tests are those that can prove something: series with a course. A code has none, so the tests of its
// family stand in. The average of ten trips forgets slowly: where the last trip is there, that one counts.
func (r *Repair) tests(family func(string) string) []Evidence {
	var out []Evidence
	add := func(e Evidence) {
		if !slices.ContainsFunc(out, func(x Evidence) bool { return x.Test == e.Test && x.ECU == e.ECU }) {
			out = append(out, e)
		}
	}
	for _, e := range r.Tests {
		if tr := r.Courses[series.Key{Unit: r.Unit, ECU: e.ECU, Test: e.Test}]; tr != nil {
			if last := strings.TrimSuffix(e.Test, ".t0b") + ".t0c"; strings.HasSuffix(e.Test, ".t0b") && r.Courses[series.Key{Unit: r.Unit, ECU: e.ECU, Test: last}] != nil {
				e.Test = last
			}
			add(e)
			continue
		}
		if e.Kind != analyze.Surprise && e.Kind != Reported {
			continue
		}
		fam := family(e.Test)
		if e.Kind == Reported {
			fam = reportFamily[strings.TrimPrefix(e.Test, "report.")]
		}
		for k, tr := range r.Courses {
			if fam != "" && tr.Now.Family == fam && len(tr.Points) > 0 && tr.Now.Toward != "" {
				add(Evidence{Test: k.Test, ECU: k.ECU, Kind: e.Kind})
			}
		}
	}
	slices.SortFunc(out, func(a, b Evidence) int { return cmp.Or(cmp.Compare(a.Test, b.Test), cmp.Compare(a.ECU, b.ECU)) })
	return out
}

func (r *Repair) prove(e Evidence, entry *knowledge.Entry) Proof {
	tr := r.Courses[series.Key{Unit: r.Unit, ECU: e.ECU, Test: e.Test}]
	p := Proof{Test: e.Test, ECU: e.ECU, Name: e.Name, State: ProofWaiting, Need: max(1, entry.Proof.Runs), UCUM: tr.Now.UnitOfMeasure}
	if p.Name == "" && r.Names != nil {
		p.Name = r.Names.Test(e.Test)
	}
	at := slices.IndexFunc(tr.Points, func(x analyze.Point) bool { return x.At.After(r.At) })
	if at < 0 {
		at = len(tr.Points)
	}
	before, after := tr.Points[:at], tr.Points[at:]
	p.Runs = len(after)
	toward := cmp.Or(e.Toward, tr.Now.Toward)
	if len(before) == 0 {
		p.State, p.Missing = ProofCannotTell, "the test had never run before the visit"
		return p
	}
	last := before[len(before)-1]
	level, spread := healthy(before, last.Epoch)
	p.Healthy, p.Spread = number(level), number(spread)
	if v := used(before[max(0, len(before)-3):], level, toward); !math.IsNaN(v) {
		p.Before = &v
	}
	switch {
	case math.IsNaN(level):
		p.State, p.Missing = ProofCannotTell, "no healthy level was known before the visit"
		return p
	case len(after) > 0 && (changed(last, after[len(after)-1], toward)):
		p.State, p.Missing = ProofCannotTell, "the calibration or the limits changed with the visit"
		return p
	case len(after) == 0 && r.Newest.Sub(r.At) > goneAfter && !tr.Now.LastRead.After(r.At):
		p.State, p.Missing = ProofCannotTell, "reports arrive, but the test is no longer reported"
		return p
	case len(after) < p.Need:
		p.Expected = expected(before, r.At, p.Need)
		p.Missing = fmt.Sprintf("%d of %d fresh runs (%s)", len(after), p.Need, entry.Proof.Conditions)
		return p
	}
	recent := after[len(after)-min(len(after), max(p.Need, 3), 5):]
	now, u := middle(recent, func(x analyze.Point) float64 { return x.Value }), used(recent, level, toward)
	p.Now, p.After = number(now), number(u)
	well := !slices.ContainsFunc(recent, func(x analyze.Point) bool { return worseBy(x.Value, level, toward) > healthySpreads*spread })
	switch {
	case well:
		p.State = ProofRecovered
	case math.IsNaN(u):
		p.State = ProofCannotTell
	case p.Before != nil && u >= noBetter**p.Before || u >= 1:
		p.State = ProofNotRecovered
	default:
		p.State = ProofPartly
	}
	return p
}

// healthy is the level and spread that were healthy in an epoch, as last known.
func healthy(points []analyze.Point, epoch int) (level, spread float64) {
	for _, x := range slices.Backward(points) {
		if x.Epoch == epoch && !math.IsNaN(x.Baseline) {
			return x.Baseline, x.Spread
		}
	}
	return math.NaN(), math.NaN()
}

// changed says whether two points do not compare: another calibration, or another limit on the side that
// matters.
func changed(a, b analyze.Point, toward string) bool {
	if a.CalID != "" && b.CalID != "" && a.CalID != b.CalID {
		return true
	}
	x, y := a.Max, b.Max
	if toward == "min" {
		x, y = a.Min, b.Min
	}
	return a.Epoch != b.Epoch && x != y && !(math.IsNaN(x) && math.IsNaN(y))
}

// worseBy is how far a value is from a level, counted toward the limit.
func worseBy(v, level float64, toward string) float64 {
	switch toward {
	case "max":
		return v - level
	case "min":
		return level - v
	}
	return math.Abs(v - level)
}

// used is the median share of the way from the healthy level to the limit, run by run.
func used(points []analyze.Point, level float64, toward string) float64 {
	return middle(points, func(x analyze.Point) float64 {
		limit := x.Max
		if toward == "min" {
			limit = x.Min
		}
		return (x.Value - level) / (limit - level)
	})
}

// middle is the median of what is a number; NaN when nothing is.
func middle(points []analyze.Point, of func(analyze.Point) float64) float64 {
	var v []float64
	for _, x := range points {
		if f := of(x); !math.IsNaN(f) && !math.IsInf(f, 0) {
			v = append(v, f)
		}
	}
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// expected is when so many runs should be there: twice the unit's own median gap for each, so that a slow
// week is no alarm.
func expected(before []analyze.Point, at time.Time, need int) *time.Time {
	recent := before[max(0, len(before)-21):]
	if len(recent) < 3 {
		return nil
	}
	var gaps []time.Duration
	for i := 1; i < len(recent); i++ {
		gaps = append(gaps, recent[i].At.Sub(recent[i-1].At))
	}
	slices.Sort(gaps)
	t := at.Add(time.Duration(2*need) * max(gaps[len(gaps)/2], 12*time.Hour))
	return &t
}

func (v *Verdict) words(worst Proof) string {
	name := cmp.Or(worst.Name, worst.Test)
	switch v.State {
	case ProofRecovered:
		return "The margin came back: the last runs are near the old healthy level."
	case ProofNotRecovered:
		return fmt.Sprintf("%s is as bad as before the visit (%s of the way to the limit): a second look, by another technician.", name, percentOf(worst.After))
	case ProofPartly:
		return fmt.Sprintf("%s is better, but not at its old healthy level (%s of the way to the limit). A person decides.", name, percentOf(worst.After))
	case ProofCannotTell:
		return fmt.Sprintf("Nobody can tell from the tests: %s. A person decides.", cmp.Or(worst.Missing, "the values do not compare"))
	}
	s := "Waiting: " + worst.Missing
	if v.Chase {
		return s + ". They should be there by now: see that the unit meets these conditions."
	}
	return s + "."
}

func percentOf(v *float64) string {
	if v == nil {
		return "an unknown part"
	}
	return percent(*v)
}
