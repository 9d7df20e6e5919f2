package analyze

import (
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

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

// decode makes the poll of a report, as the pipeline does.
func decode(r *report.Report) *series.Poll {
	msgs := make([]obd.Message, len(r.Messages))
	for i, m := range r.Messages {
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

// An invention is a fleet of which everything is known: its polls as the pipeline stores them, by unit and
// in order, and its truth.
type invention struct {
	truth  []fleetsim.Fault
	roster *fleet.Roster
	polls  map[string][]*series.Poll
	end    time.Time
	months float64 // vehicle-months
}

// invent invents a fleet, with delivery faults and without repairs, and decodes all its reports.
func invent(t testing.TB, c fleetsim.Config) *invention {
	t.Helper()
	f, err := fleetsim.New(c)
	if err != nil {
		t.Fatal(err)
	}
	roster, err := f.Roster()
	if err != nil {
		t.Fatal(err)
	}
	in := &invention{truth: f.Truth(), roster: roster, polls: map[string][]*series.Poll{}, end: c.End,
		months: float64(c.Units*c.Days) / 30.44}
	for sent := range f.Reports() {
		p := decode(sent.Report)
		if u := unitOf(roster, p.VIN, p.Device); u != nil && p.ClockOK {
			in.polls[u.Unit] = append(in.polls[u.Unit], p)
		}
	}
	for _, list := range in.polls {
		slices.SortStableFunc(list, order)
	}
	return in
}

func inParallel(n int, do func(i int)) {
	var wg sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range n {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			do(i)
		})
	}
	wg.Wait()
}

// fit surveys the whole fleet and fits its cohorts.
func (in *invention) fit(t testing.TB, set *Settings) *Parameters {
	surveys := make([]*survey, len(in.roster.Units()))
	in.foldWith(t, set, false, nil, surveys)
	return fit(surveys, in.end.UnixMicro(), set)
}

// foldWith folds every unit of the fleet with some parameters and hands the states over, in the order of units;
// surveys, where given, are filled.
func (in *invention) foldWith(t testing.TB, set *Settings, traced bool, p *Parameters, surveys []*survey) []*Vehicle {
	units := in.roster.Units()
	all := make([]*Vehicle, len(units))
	inParallel(len(units), func(i int) {
		v := NewVehicle(units[i].Unit, units[i].VIN, decoder{}, set)
		v.engine, v.params = units[i].EngineFamily, p
		if surveys != nil {
			surveys[i] = &survey{engine: v.engine}
			v.survey = surveys[i]
		}
		if traced {
			v.trace = &tracer{points: map[series.Key][]Point{}}
		}
		for _, p := range in.polls[units[i].Unit] {
			if err := v.Apply(p); err != nil {
				t.Error(err)
				return
			}
		}
		all[i] = v
	})
	return all
}
