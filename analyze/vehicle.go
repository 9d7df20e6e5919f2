package analyze

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"marginline/ingest/series"
)

// ErrOrder is returned for a poll that is older than one already folded.
var ErrOrder = errors.New("poll is out of order")

// A Vehicle is the state of one unit: a pure fold over its polls in the order of series.Poll.Before. The
// same polls in that order give the same state, byte for byte. Not safe for concurrent use.
type Vehicle struct {
	unit     string `rest:"-"`
	vin      string
	monitors Monitors  `rest:"-"`
	set      *Settings `rest:"-"`

	first  int64 // read_at (us) of the first poll folded
	last   int64 // of the newest
	report string
	any    bool
	clock  clock
	watch  []watch
	index  map[testKey]int32 `rest:"-"`
	live   []int32           `rest:"-"` // watches of live counters
	cals   []cal
	groups []group
	codes  []codeKey // confirmed and active codes seen so far

	engine   string      `rest:"-"` // engine family
	params   *Parameters `rest:"-"` // nil: the shipped ones
	defaults []*Cohort   `rest:"-"` // shipped figures in use
	survey   *survey     `rest:"-"` // gathers for a fit; nil otherwise

	happenings []Happening `rest:"-"` // what people told
	happened   int32       // so many of them are taken in

	signals  []Signal `rest:"-"`
	trace    *tracer  `rest:"-"`
	work     []work   `rest:"-"` // scratch of Apply
	polls    int64
	km       float64 // odometer, the last known; 0 when none was read
	fuel     float64 // percent: the least since the tank was filled
	fuelAt   int64   // read_at (us) of it; 0 when none was read
	filledAt int64   // and of the newest fill
	days     int32   // days (UTC) on which the unit reported
	day      int64   // the newest of them
}

type testKey struct{ ecu, test string }

// codeKey is a code of a control unit, and when it was first read.
type codeKey struct {
	ecu  string `rest:"shared"`
	code string `rest:"shared"`
	at   int64
}

// cal is the last calibration id known of a control unit.
type cal struct {
	ecu       string `rest:"shared"`
	id        string `rest:"shared"`
	swaps     int32  // how often the control unit was replaced
	swapAt    int64  // ordinal of the poll that showed the last time
	changedAt int64  // read_at (us) when the calibration or the control unit last changed; 0 never
}

// group is a readiness group of a control unit. Its completion bit tells of a monitor only while it has
// no other.
type group struct {
	ecu     string `rest:"shared"`
	id      int
	monitor string `rest:"shared"`
	many    bool
}

// work is a result of the poll in hand with the watch it belongs to.
type work struct {
	watch  int32
	result *series.Result
}

// NewVehicle returns the state of a unit before its first poll. vin is the roster's, "" when it has none.
func NewVehicle(unit, vin string, m Monitors, set *Settings) *Vehicle {
	return &Vehicle{unit: unit, vin: vin, monitors: m, set: set, index: map[testKey]int32{}}
}

// Apply folds a poll. A poll without a good clock is left out, and so is the newest one given again;
// ErrOrder is returned, and nothing changed, for a poll before the newest.
func (v *Vehicle) Apply(p *series.Poll) error {
	if !p.ClockOK {
		return nil
	}
	at := p.ReadAt.UnixMicro()
	switch {
	case !v.any:
		v.first = at
	case at == v.last && p.ReportID == v.report:
		return nil
	case at < v.last, at == v.last && p.ReportID < v.report:
		return fmt.Errorf("%w: unit %s: %s of %s comes after %s of %s", ErrOrder, v.unit,
			p.ReportID, p.ReadAt.Format(time.RFC3339), v.report, timeOf(v.last).Format(time.RFC3339))
	}
	v.any, v.last, v.report = true, at, p.ReportID
	v.polls++
	if day := at / int64(dayMicros); v.polls == 1 || day != v.day {
		v.day = day
		v.days++
	}
	if v.vin == "" {
		v.vin = p.VIN
	}
	if v.trace != nil {
		if v.trace.device != "" && p.Device != "" && p.Device != v.trace.device {
			for i := range v.watch {
				v.trace.tell(v.key(&v.watch[i]), restartDongle)
			}
		}
		v.trace.device = p.Device
	}
	v.fuelled(at, p.Context.FuelLevelPct)
	if km := p.Context.OdometerKm; km > 0 {
		v.km = km
	}
	trip := v.clock.tick(at, p.Context.RunTimeS)
	for _, i := range v.live {
		v.watch[i].release(trip, v)
	}
	v.happen(at)
	v.sort(p)
	raised := len(v.signals)
	for _, k := range v.work {
		w := &v.watch[k.watch]
		g := &v.groups[w.group]
		w.read(k.result, moment{
			at: at, report: p.ReportID, trip: trip, cal: v.calOf(w.ecu), swaps: v.swapsOf(w.ecu), alone: g.id >= 0 && !g.many,
			ambient: p.Context.AmbientC, fuel: p.Context.FuelLevelPct, pressure: p.Context.BarometricKPa,
		}, v)
	}
	v.surprises(p, at, raised)
	return nil
}

// sort finds the watch of every result of a poll, and notes calibrations and monitors, so that the order
// of results within a report does not matter.
func (v *Vehicle) sort(p *series.Poll) {
	v.work = v.work[:0]
	if v.watch == nil { // a report tells of most tests at once: no room is left over
		v.watch = make([]watch, 0, len(p.Results))
	}
	next := int32(0)
	for i := range p.Results {
		r := &p.Results[i]
		// Reports repeat the same tests in the same order: try the successor first.
		if int(next) >= len(v.watch) || v.watch[next].test != r.Test || v.watch[next].ecu != r.ECU {
			n, ok := v.index[testKey{r.ECU, r.Test}]
			if !ok {
				n = v.add(r, p.Bus)
			}
			next = n
		}
		if r.CalID != "" {
			v.setCal(r.ECU, r.CalID)
		}
		v.counted(&v.watch[next], r)
		if w := &v.watch[next]; w.poll == v.polls { // the same test twice in one report
			for j := range v.work {
				if v.work[j].watch == next {
					v.work[j].result = merge(v.work[j].result, r)
				}
			}
		} else {
			w.poll = v.polls
			v.work = append(v.work, work{next, r})
		}
		next++
	}
}

// merge is one result of two of the same test in one report. Older buses send a limit a message, and when
// the test ran between the two messages their values differ: the later value is taken, with both limits.
// Otherwise the later one stands.
func merge(a, b *series.Result) *series.Result {
	lo, hi := math.IsNaN(a.Max) && math.IsNaN(b.Min), math.IsNaN(a.Min) && math.IsNaN(b.Max)
	if a.State != series.StateOK || b.State != series.StateOK || lo == hi {
		return b
	}
	m := *b
	if lo {
		m.Min, m.Raw.Min = a.Min, a.Raw.Min
	} else {
		m.Max, m.Raw.Max = a.Max, a.Raw.Max
	}
	m.Passed = series.TriOf(m.Min <= m.Value && m.Value <= m.Max)
	m.Margin = math.Min(m.Value-m.Min, m.Max-m.Value) / ((m.Max - m.Min) / 2)
	return &m
}

func (v *Vehicle) add(r *series.Result, bus series.Bus) int32 {
	n := int32(len(v.watch))
	w := newWatch(r, bus, v.monitors, v.set)
	w.group = v.join(r)
	v.watch = append(v.watch, *w)
	v.index[testKey{r.ECU, r.Test}] = n
	if w.live {
		v.live = append(v.live, n)
	}
	return n
}

// join notes the monitor of a result in its group and returns the group's index.
func (v *Vehicle) join(r *series.Result) int {
	id, monitor := v.monitors.Group(r), monitorOf(r)
	for i := range v.groups {
		if g := &v.groups[i]; g.id == id && g.ecu == r.ECU {
			g.many = g.many || g.monitor != monitor
			return i
		}
	}
	v.groups = append(v.groups, group{ecu: r.ECU, id: id, monitor: monitor})
	return len(v.groups) - 1
}

func (v *Vehicle) setCal(ecu, id string) {
	c := v.calAt(ecu)
	if c.id != "" && c.id != id {
		c.changedAt = v.last
	}
	c.id = id
}

func (v *Vehicle) calAt(ecu string) *cal {
	for i := range v.cals {
		if v.cals[i].ecu == ecu {
			return &v.cals[i]
		}
	}
	v.cals = append(v.cals, cal{ecu: ecu})
	return &v.cals[len(v.cals)-1]
}

func (v *Vehicle) swapsOf(ecu string) int32 {
	for i := range v.cals {
		if v.cals[i].ecu == ecu {
			return v.cals[i].swaps
		}
	}
	return 0
}

func (v *Vehicle) calOf(ecu string) string {
	for i := range v.cals {
		if v.cals[i].ecu == ecu {
			return v.cals[i].id
		}
	}
	return ""
}

// surprises claims the confirmed and active codes that nothing gave warning of: first read when the unit
// had been watched for a week, of a family with a monitored test, with no signal of that family from an
// earlier poll. before is the number of signals there were when the poll began.
func (v *Vehicle) surprises(p *series.Poll, at int64, before int) {
	for i := range p.Codes {
		c := &p.Codes[i]
		k := codeKey{c.ECU, c.Code, at}
		known := func(o codeKey) bool { return o.ecu == k.ecu && o.code == k.code }
		if c.Kind != series.CodeConfirmed && c.Kind != series.CodeActive || slices.ContainsFunc(v.codes, known) {
			continue
		}
		v.codes = append(v.codes, k)
		family := v.monitors.CodeFamily(c.Code)
		if family == "" || at-v.first < v.set.SurpriseAfter.Microseconds() || !v.monitored(family) {
			continue
		}
		warned := func(s Signal) bool { return s.Family == family && s.Kind != NotRunning }
		told := func(s Signal) bool { return s.Family == family && s.Kind == Surprise }
		if slices.ContainsFunc(v.signals[:before], warned) || slices.ContainsFunc(v.signals[before:], told) {
			continue
		}
		v.signals = append(v.signals, Signal{
			Key: series.Key{Unit: v.unit, ECU: c.ECU, Test: c.Code}, VIN: v.vin, Family: family, Kind: Surprise,
			RaisedAt: timeOf(at), Evidence: v.noEvidence(),
		})
	}
}

// monitored says whether a test of the family has given a value.
func (v *Vehicle) monitored(family string) bool {
	return slices.ContainsFunc(v.watch, func(w watch) bool { return w.family == family && w.measured })
}

func (v *Vehicle) noEvidence() Evidence {
	n := math.NaN()
	return Evidence{Settings: v.set.Version, Parameters: Shipped, OdometerKm: v.km, Baseline: n, Spread: n, Value: n, Limit: n, Used: n, Score: n, Threshold: n}
}

func (v *Vehicle) key(w *watch) series.Key { return series.Key{Unit: v.unit, ECU: w.ecu, Test: w.test} }

// timeOf is the time of a count of microseconds; zero for 0, which no good clock shows.
func timeOf(us int64) time.Time {
	if us == 0 {
		return time.Time{}
	}
	return time.UnixMicro(us).UTC()
}
