package analyze_test

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/fleetsim"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// decoder gives the detector what the real decoder knows.
type decoder struct{}

func (decoder) Family(r *series.Result) string { return obd.Family(r) }
func (decoder) CodeFamily(code string) string  { return obd.CodeFamily(code) }
func (decoder) Group(r *series.Result) int     { return obd.Group(r) }

// polls is a history in memory.
type polls []*series.Poll

func (h polls) Polls(_ context.Context, vins, devices []string, until time.Time) iter.Seq2[*series.Poll, error] {
	want := map[string]bool{}
	for _, s := range slices.Concat(vins, devices) {
		want[s] = true
	}
	return func(yield func(*series.Poll, error) bool) {
		for _, p := range h {
			if (want[p.VIN] || want[p.Device]) && (until.IsZero() || !p.ReadAt.After(until)) && !yield(p, nil) {
				return
			}
		}
	}
}

// decode makes the poll of a report, as the pipeline does.
func decode(t testing.TB, r *report.Report) *series.Poll {
	msgs := make([]obd.Message, len(r.Messages))
	for i, m := range r.Messages {
		if m.Fault != "" {
			t.Fatal(m.Fault)
		}
		msgs[i] = obd.Message{From: m.From, PGN: m.PGN, Data: m.Data}
	}
	d := obd.Decode(r.Bus, msgs, nil)
	p := &series.Poll{
		ReportID: r.ID, Device: r.Device, VIN: r.VIN, Bus: r.Bus, ReadAt: r.Time, Received: r.Received,
		ClockOK: r.Time.Year() >= 2000 && r.Time.Before(r.Received.Add(24*time.Hour)),
		Context: d.Context, Results: d.Results(), Codes: d.Codes(),
	}
	if p.VIN == "" && len(d.VINs) > 0 {
		p.VIN = d.VINs[0]
	}
	return p
}

// A tally is how the detector did on one mode of fault. Leads are in days; a miss has none.
type tally struct {
	faults, before int
	leads          []float64
}

func (y *tally) median() float64 {
	if len(y.leads) == 0 {
		return math.NaN()
	}
	l := slices.Sorted(slices.Values(y.leads))
	return l[len(l)/2]
}

func (y *tally) atLeast(days float64) float64 {
	n := 0
	for _, l := range y.leads {
		if l >= days {
			n++
		}
	}
	return 100 * float64(n) / float64(y.faults)
}

// A score is how the detector did on one fleet.
type score struct {
	modes     map[fleetsim.Mode]*tally
	needless  []string
	missed    []string // faults that no signal came before
	surprises int
	months    float64 // vehicle-months
}

const minute = "2006-01-02 15:04"

// judge compares the signals of a fleet with its truth. A fault counts as alerted when a signal of its
// family was raised on its unit between onset and code. A signal is needless when the unit has no fault of
// that family from onset to repair; those that follow one another within 30 days count once. Surprises are
// misses, and neither.
func judge(truth []fleetsim.Fault, signals map[string][]analyze.Signal, months float64) score {
	s := score{modes: map[fleetsim.Mode]*tally{}, months: months}
	about := func(f *fleetsim.Fault, g *analyze.Signal) bool {
		return f.Family == g.Family || slices.Contains(f.Tests, g.Key.Test) && f.ECU == g.Key.ECU
	}
	for i := range truth {
		f := &truth[i]
		if f.CodeAt.IsZero() {
			continue
		}
		y := s.modes[f.Mode]
		if y == nil {
			y = &tally{}
			s.modes[f.Mode] = y
		}
		y.faults++
		first := slices.IndexFunc(signals[f.Unit], func(g analyze.Signal) bool {
			return g.Kind != analyze.Surprise && about(f, &g) && g.RaisedAt.After(f.Onset) && g.RaisedAt.Before(f.CodeAt)
		})
		if first >= 0 {
			y.before++
			y.leads = append(y.leads, f.CodeAt.Sub(signals[f.Unit][first].RaisedAt).Hours()/24)
			continue
		}
		s.missed = append(s.missed, fmt.Sprintf("%s %s %s %s %v: onset %s, limit %s, crosses %s, code %s", f.Unit, f.Mode, f.Family, f.Code, f.Tests,
			f.Onset.Format(minute), f.LimitAt.Format(minute), f.Crosses.Format(minute), f.CodeAt.Format(minute)))
	}
	for _, unit := range slices.Sorted(maps.Keys(signals)) {
		last := map[string]time.Time{}
		for _, g := range signals[unit] {
			if g.Kind == analyze.Surprise {
				s.surprises++
				continue
			}
			due := slices.ContainsFunc(truth, func(f fleetsim.Fault) bool {
				return f.Unit == unit && about(&f, &g) && g.RaisedAt.After(f.Onset) &&
					(f.Repaired.IsZero() || g.RaisedAt.Before(f.Repaired))
			})
			if due {
				continue
			}
			if at, ok := last[g.Family]; !ok || g.RaisedAt.Sub(at) > 30*24*time.Hour {
				e := g.Evidence
				s.needless = append(s.needless, fmt.Sprintf("%s %s %s %s: epoch %d fresh %d baseline %.4g spread %.4g value %.4g limit %.4g used %.2f score %.1f",
					g.Key, g.Family, g.Kind, g.RaisedAt.Format("2006-01-02"), e.Epoch, e.Fresh, e.Baseline, e.Spread, e.Value, e.Limit, e.Used, e.Score))
			}
			last[g.Family] = g.RaisedAt
		}
	}
	return s
}

// play invents a fleet, decodes all its reports and runs the detector on them.
func play(t testing.TB, c fleetsim.Config) score {
	f, err := fleetsim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	roster, err := f.Roster()
	if err != nil {
		t.Fatal(err)
	}
	var history polls
	for sent := range f.Reports() {
		history = append(history, decode(t, sent.Report))
	}
	r := analyze.NewRunner(history, func() *fleet.Roster { return roster }, decoder{}, analyze.DefaultSettings(),
		slog.New(slog.NewTextHandler(io.Discard, nil)))
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	signals := map[string][]analyze.Signal{}
	for _, unit := range r.Units() {
		signals[unit] = r.Signals(unit)
	}
	return judge(f.Truth(), signals, float64(c.Units*c.Days)/30.44)
}

// TestFleetScore is the detector's promise: over ten invented fleets, at least 80 % of slow wear is alerted
// before its code, and at most 2 alerts in 100 vehicle-months are needless. SCORE_SEEDS=11-20 scores other
// fleets, SCORE_NOISE=2 at twice the noise. The settings were not looked at with seeds above 10.
func TestFleetScore(t *testing.T) {
	from, to := 1, 10
	if s := os.Getenv("SCORE_SEEDS"); s != "" {
		a, b, _ := strings.Cut(s, "-")
		from, _ = strconv.Atoi(a)
		to, _ = strconv.Atoi(b)
	}
	if racing {
		to = from + 1
	}
	noise := 1.0
	if s := os.Getenv("SCORE_NOISE"); s != "" {
		noise, _ = strconv.ParseFloat(s, 64)
	}
	scores := make([]score, to-from+1)
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for i := range scores {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			scores[i] = play(t, fleetsim.Config{Units: 48, Days: 182, Seed: uint64(from + i), Delivery: true, Noise: noise,
				End: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)})
		})
	}
	wg.Wait()
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "seed\tmode\tfaults with a code\talerted before\tmedian lead, d\t>= 3 d\t>= 14 d\t>= 30 d\tneedless\tvehicle-months\t")
	all := score{modes: map[fleetsim.Mode]*tally{}}
	rows := func(name string, s score) {
		for _, m := range []fleetsim.Mode{fleetsim.Slow, fleetsim.Fast, fleetsim.Step, fleetsim.Intermittent} {
			y := s.modes[m]
			if y == nil {
				continue
			}
			fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%.1f\t%.0f %%\t%.0f %%\t%.0f %%\t%d\t%.0f\t\n", name, m, y.faults, y.before, y.median(),
				y.atLeast(3), y.atLeast(14), y.atLeast(30), len(s.needless), s.months)
		}
	}
	for i, s := range scores {
		rows(strconv.Itoa(from+i), s)
		all.months += s.months
		all.needless = append(all.needless, s.needless...)
		all.missed = append(all.missed, s.missed...)
		all.surprises += s.surprises
		for m, y := range s.modes {
			a := all.modes[m]
			if a == nil {
				a = &tally{}
				all.modes[m] = a
			}
			a.faults, a.before, a.leads = a.faults+y.faults, a.before+y.before, append(a.leads, y.leads...)
		}
	}
	rows("all", all)
	w.Flush()
	needless := 100 * float64(len(all.needless)) / all.months
	t.Logf("\n%sneedless: %.2f in 100 vehicle-months; surprises: %d\n%s\nmissed:\n%s", b.String(), needless, all.surprises,
		strings.Join(all.needless, "\n"), strings.Join(all.missed, "\n"))
	slow := all.modes[fleetsim.Slow]
	if slow == nil || slow.faults < 2*len(scores) {
		t.Fatal("too few slow faults to judge by")
	}
	if share := 100 * float64(slow.before) / float64(slow.faults); share < 80 {
		t.Errorf("%.0f %% of slow wear was alerted before its code, want at least 80", share)
	}
	if needless > 2 {
		t.Errorf("%.2f needless alerts in 100 vehicle-months, want at most 2", needless)
	}
}
