package dashboards

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// today is the clock of all tests: a Monday, early, at the depots.
var today = time.Date(2026, 5, 18, 11, 30, 0, 0, time.UTC)

const hostile = `<script>alert("9")</script>/..%2F'&`

// yard is a hand-made fleet: what the detector would know of it, and its roster.
type yard struct {
	states  map[string][]analyze.Now
	polls   map[string]time.Time
	traces  map[string]map[series.Key]*analyze.Trace
	signals map[string][]analyze.Signal
	roster  []*fleet.Unit
	broken  error // given by Traces when set
	refolds atomic.Int32
}

// What the pages read is what the stages give.
var (
	_ Series = (*analyze.Runner)(nil)
	_ Series = (*yard)(nil)
	_ Book   = (*alerts.Book)(nil)
	_ Roster = (*fleet.Roster)(nil)
)

func newYard() *yard {
	return &yard{states: map[string][]analyze.Now{}, polls: map[string]time.Time{}, traces: map[string]map[series.Key]*analyze.Trace{},
		signals: map[string][]analyze.Signal{}}
}

func (y *yard) Units() []string {
	var out []string
	for u := range y.polls {
		out = append(out, u)
	}
	slices.Sort(out)
	return out
}
func (y *yard) Series(unit string) []analyze.Now     { return y.states[unit] }
func (y *yard) Signals(unit string) []analyze.Signal { return y.signals[unit] }
func (y *yard) LastPoll(unit string) time.Time       { return y.polls[unit] }
func (y *yard) Traces(_ context.Context, unit string) (map[series.Key]*analyze.Trace, error) {
	y.refolds.Add(1)
	return y.traces[unit], y.broken
}

type rosterOf []*fleet.Unit

func (r rosterOf) Units() []*fleet.Unit { return r }
func (r rosterOf) Unit(name string) *fleet.Unit {
	for _, u := range r {
		if u.Unit == name {
			return u
		}
	}
	return nil
}

func (y *yard) enrol(name, depot, zone string) *fleet.Unit {
	u := fleet.NewUnit(name)
	u.VIN, u.Depot, u.TimeZone, u.EngineFamily, u.Fuel, u.WeightClass = "9ZZTEST74RA0"+fmt.Sprintf("%05d", len(y.roster)), depot, zone, "KR-20", "petrol", "light"
	u.PMLast, u.PMIntervalDays, u.InspectionDue = today.AddDate(0, 0, -81), 90, today.AddDate(0, 0, 31)
	y.roster = append(y.roster, &u)
	y.polls[name] = today.Add(-40 * time.Minute)
	return &u
}

// A course is how a made-up series runs: daily results around a level, drifting from a day on.
type course struct {
	ecu, test, family, unit string
	level, spread, min, max float64
	drift                   float64 // a day, after driftDays before today
	driftDays               int
	epochDays               int // an epoch begins this many days before today; 0 none
	days                    int
	fails                   bool // the last result fails
}

func nan() float64 { return math.NaN() }

// runs adds the series to a unit. The numbers are the test's own; only their form follows the detector.
func (y *yard) runs(unit string, c course) *analyze.Trace {
	seed := fnv.New64a()
	seed.Write([]byte(unit + c.ecu + c.test))
	r := rand.New(rand.NewPCG(seed.Sum64(), 7))
	key := series.Key{Unit: unit, ECU: c.ecu, Test: c.test}
	tr := &analyze.Trace{Repeats: 31}
	score, epoch, fresh := 0.0, 1, 0
	toward := "max"
	if math.IsNaN(c.max) {
		toward = "min"
	}
	for d := c.days; d >= 1; d-- {
		at := today.AddDate(0, 0, -d).Add(time.Duration(r.IntN(180)) * time.Minute)
		v := c.level + c.spread*r.NormFloat64()
		if d < c.driftDays {
			v += c.drift * float64(c.driftDays-d)
		}
		lo, hi, cal := c.min, c.max, "CAL-A1"
		if c.epochDays > 0 && d <= c.epochDays {
			if epoch == 1 {
				epoch, fresh, score = 2, 0, 0
			}
			hi, lo, cal = hi*1.12, lo*1.12, "CAL-B2"
		}
		if c.fails && d == 1 {
			v = hi * 1.06
		}
		fresh++
		z := (v - c.level) / c.spread
		if toward == "min" {
			z = -z
		}
		score = max(0, score+min(z, 2.5)-0.9)
		p := analyze.Point{At: at, ReportID: fmt.Sprintf("r%d", d), Epoch: epoch, CalID: cal, Value: v, Min: lo, Max: hi,
			Margin: 1 - v/hi, Baseline: c.level, Spread: c.spread, Z: z, Score: score}
		switch {
		case !math.IsNaN(lo) && !math.IsNaN(hi):
			p.Margin = min(v-lo, hi-v) / ((hi - lo) / 2)
		case toward == "min":
			p.Margin = 1 - lo/v
		}
		if fresh < 12 {
			p.Baseline, p.Spread, p.Score = nan(), nan(), 0
		}
		tr.Points = append(tr.Points, p)
	}
	last := tr.Points[len(tr.Points)-1]
	n := analyze.Now{Key: key, Family: c.family, LastRead: last.At, LastFresh: last.At, State: series.StateOK, Value: last.Value, Min: last.Min,
		Max: last.Max, UnitOfMeasure: c.unit, Margin: last.Margin, Passed: series.TriOf(last.Margin >= 0), CalID: last.CalID, Epoch: epoch, Fresh: fresh,
		Baseline: last.Baseline, Spread: last.Spread, Toward: toward, Used: 0.2, Score: last.Score, Threshold: 9.2, Learning: fresh < 12}
	if c.driftDays > 0 {
		n.Used = 0.71
		n.Since = today.AddDate(0, 0, -c.driftDays)
		n.Crossing = &analyze.Crossing{P10: today.AddDate(0, 0, 6), P50: today.AddDate(0, 0, 15), P90: today.AddDate(0, 0, 34)}
		limit := c.max
		if toward == "min" {
			limit = c.min
		}
		tr.Signals = append(tr.Signals, analyze.Signal{Key: key, Family: c.family, Kind: analyze.Drift, RaisedAt: today.AddDate(0, 0, -9),
			Evidence: analyze.Evidence{Settings: "s1", Epoch: epoch, Fresh: fresh - 9, Baseline: c.level, Spread: c.spread, Toward: toward, Value: last.Value,
				Limit: limit, UnitOfMeasure: c.unit, Used: 0.54, Score: 9.9, Threshold: 9.2, Since: n.Since}})
	}
	tr.Now = n
	y.states[unit] = append(y.states[unit], n)
	if y.traces[unit] == nil {
		y.traces[unit] = map[series.Key]*analyze.Trace{}
	}
	y.traces[unit][key] = tr
	return tr
}

var (
	leak   = course{"7e8", "m3b.tc0", "evap", "Pa", 240, 14, nan(), 620, 0, 0, 0, 180, false}
	rear   = course{"7e8", "m02.t08", "o2_sensor", "s", 1.9, 0.05, nan(), 4.2, 0, 0, 0, 180, false}
	cat    = course{"7e8", "m21.t89", "catalyst", "1", 0.42, 0.02, nan(), 0.9, 0, 0, 0, 180, false}
	egr    = course{"7e8", "m31.t95", "egr", "%", 0.2, 1.1, -15, 15, 0, 0, 0, 180, false}
	urea   = course{"00", "s3242.f16.t247", "nox_catalyst_scr", "%", 88, 1.4, 62, nan(), 0, 0, 0, 180, false}
	heater = course{"7e8", "m42.t81", "o2_heater", "A", 0.9, 0.03, 0.4, 1.6, 0, 0, 0, 180, false}
)

func with(c course, f func(*course)) course { f(&c); return c }

// market is an invented fleet with one of each thing the pages must be able to say.
func market() *yard {
	y := newYard()
	const chicago, la = "America/Chicago", "America/Los_Angeles"
	for i := range 14 {
		name := fmt.Sprint(201 + i)
		y.enrol(name, []string{"Tannery Row", "Saltgate"}[i%2], []string{chicago, la}[i%2])
		for _, c := range []course{leak, rear, cat, egr, heater} {
			y.runs(name, c)
		}
	}
	y.enrol("217", "Tannery Row", chicago)
	y.runs("217", with(leak, func(c *course) { c.drift, c.driftDays = 7, 40 }))
	y.runs("217", with(rear, func(c *course) { c.epochDays = 60 }))
	y.runs("217", cat)
	y.runs("217", egr)
	y.runs("217", heater)
	y.states["217"] = append(y.states["217"],
		analyze.Now{Key: series.Key{Unit: "217", ECU: "7e8", Test: "m01.t01"}, Family: "o2_sensor", State: series.StateConstant, LastRead: today, Value: 0.365, UnitOfMeasure: "V", Margin: nan(), Min: nan(), Max: nan(), Used: nan()},
		analyze.Now{Key: series.Key{Unit: "217", ECU: "7e8", Test: "m3c.tc1"}, Family: "evap", State: series.StateNotRun, LastRead: today, Margin: nan(), Min: nan(), Max: nan(), Used: nan()})
	y.enrol("408", "Saltgate", la)
	y.runs("408", with(urea, func(c *course) { c.drift, c.driftDays = -1.5, 14 }))
	y.enrol("214", "Tannery Row", chicago).InspectionDue = at(12)
	y.runs("214", with(cat, func(c *course) { c.fails = true }))
	y.enrol("312", "Saltgate", la)
	y.runs("312", egr)
	y.enrol("220", "Tannery Row", chicago)
	y.runs("220", leak)
	y.enrol("305", "Tannery Row", chicago)
	y.runs("305", egr)
	y.polls["305"] = today.AddDate(0, 0, -12)
	y.enrol("224", "Saltgate", la)
	delete(y.polls, "224")
	y.enrol("410", "Saltgate", la)
	y.runs("410", with(urea, func(c *course) { c.days = 6 }))
	y.enrol(hostile, `<b>Depot</b>`, "No/Such")
	y.runs(hostile, with(leak, func(c *course) { c.drift, c.driftDays = 8, 38 }))
	return y
}

// wordsOf are the plain names of the tests used here.
type wordsOf map[string]string

func (w wordsOf) Test(t string) string { return w[t] }

var words = wordsOf{"m3b.tc0": "fuel vapour leak, 0.040 in", "m02.t08": "rear oxygen sensor, slow response", "m21.t89": "catalyst oxygen storage, bank 1",
	"m31.t95": "EGR flow error, bank 1", "s3242.f16.t247": "SCR conversion efficiency", "m42.t81": "oxygen sensor heater current"}

type codesOf map[string][]Code

func (c codesOf) Codes(_ context.Context, unit string) ([]Code, error) { return c[unit], nil }

type factsOf map[string][]shop.Fact

func (f factsOf) Facts(_ context.Context, unit string) ([]shop.Fact, error) { return f[unit], nil }

// useOf says the same of every unit: cleared five warm-ups ago.
type useOf struct{}

func (useOf) Use(context.Context, string) (Use, error) {
	return Use{At: today, OdometerKm: 48211, EngineHours: nan(), WarmupsSinceClear: 5, KmSinceClear: 312}, nil
}

var shopFloor = factsOf{"217": {
	{Kind: shop.Repair, Unit: "217", At: at(-50).Truncate(24 * time.Hour), By: "Wes", Text: "filler neck seal replaced"},
	{Kind: shop.Clear, Unit: "217", At: at(-49), By: "Wes"}, {Kind: shop.Dongle, Unit: "217", At: at(-120), By: "Marisol", Device: "d-217"},
	{Kind: shop.Needed, Unit: "217", At: at(3), Until: ptr(at(6)), By: "Priya"},
}}

// bin is a quarantine in memory: a replay takes every entry but whole reports.
type bin struct{ held []Held }

func (b *bin) Held(context.Context) ([]Held, error) { return b.held, nil }
func (b *bin) Replay(_ context.Context, ids []string) ([]Retried, error) {
	var out []Retried
	b.held = slices.DeleteFunc(b.held, func(h Held) bool {
		if !slices.Contains(ids, h.ID) {
			return false
		}
		taken := h.Message >= 0
		r := Retried{ID: h.ID, Taken: taken, Report: h.ReportID + "/2"}
		if !taken {
			r.Report, r.Why = "", "unreadable: still no object"
		}
		out = append(out, r)
		return taken
	})
	return out, nil
}

func heldMarket() *bin {
	return &bin{[]Held{
		{ID: "5", At: at(-2), Device: "dgl-220", Message: -1, Reason: "unreadable", Detail: "invalid character", Raw: []byte(`{"id":` + hostile)},
		{ID: "6.0", At: at(-1), Device: "dgl-220", ReportID: "r-6", Message: 0, Reason: "bad_length", Detail: "17 bytes are not whole records of 9", Raw: []byte{0x46, 0x01, 0xff}},
		{ID: "7.2", At: at(-1), Device: "dgl-305", ReportID: "r-7", Message: 2, Reason: "bad_length", Detail: "11 bytes", Raw: []byte(strings.Repeat("\x46\x01\x05", 9))},
	}}
}

// past answers a replay of history with figures of its own, one trial a set of settings.
type past struct{}

func (past) Backtest(_ context.Context, w analyze.Window, sets ...analyze.Settings) ([]*analyze.Trial, error) {
	var out []*analyze.Trial
	for _, s := range sets {
		out = append(out, &analyze.Trial{Settings: s.Version, Units: 22, Months: 120, Alerts: int(100 / s.Threshold), Unfollowed: 3, Codes: 6, Preceded: 4, Leads: []float64{8, 20, 33, 41},
			Classes: map[string]*analyze.ClassTrial{w.Class("410", "evap"): {Alerts: 12, Followed: 9, Unfollowed: 3}}})
	}
	return out, nil
}

type intakeOf struct{}

func (intakeOf) Intake(_ context.Context, since time.Time) (Intake, error) {
	return Intake{Since: since, Reports: 812, Results: 9340, Units: 19, WrongClock: 4, Rejected: 3, Unknown: 2, Clocks: []DeviceCount{{"dgl-410", "410", 4}}}, nil
}

// bookReview makes the review of a book.
type bookReview struct{ book *alerts.Book }

func (b bookReview) Review(ctx context.Context, from, until time.Time) (review.Review, error) {
	all, err := b.book.List(ctx, true)
	if err != nil {
		return review.Review{}, err
	}
	orders, err := b.book.Orders(ctx)
	return review.Make(all, orders, from, until, review.DefaultPrices()), err
}

type pulse struct{ err error }

func (p *pulse) Ready(context.Context) error              { return p.err }
func (p *pulse) Quarantined(context.Context) (int, error) { return 3, nil }

func quiet() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// site is a server over a yard and a book, with the request and answer in one call.
type site struct {
	*Server
	yard  *yard
	book  *alerts.Book
	pulse *pulse

	around *surroundings
}

func open(t testing.TB, y *yard, b *alerts.Book) *site {
	t.Helper()
	p, around := &pulse{}, &surroundings{}
	cfg := DefaultConfig()
	cfg.Fleet, cfg.Version = "Brackwater Provision & Linen", "test"
	s, err := New(cfg, Deps{Book: b, Series: y, Roster: rosterOf(y.roster), Names: words, Health: p,
		Codes: codesOf{"217": {{ECU: "7e8", Kind: "pending", Code: "P0442", First: at(-51), Last: at(-50)}}, "312": {{ECU: "7e8", Kind: "confirmed", Code: "P0304", First: today.AddDate(0, 0, -1), Last: today}}},
		Facts: shopFloor, Uses: useOf{}, Background: around, Intakes: intakeOf{}, Reviews: bookReview{b}, Trials: past{}, Worths: map[string]analyze.Worth{"road_call": {Wasted: 60, Saved: 540}}, Currency: "EUR",
		ClassOf: func() func(string, string) string { return func(string, string) string { return "road_call" } }, Quarantine: heldMarket(), Now: func() time.Time { return today }}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	return &site{s, y, b, p, around}
}

func (s *site) get(t testing.TB, path string) (int, string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "127.0.0.1:8080"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func (s *site) must(t testing.TB, path string) string {
	t.Helper()
	code, body := s.get(t, path)
	if code != http.StatusOK {
		t.Fatalf("%s: status %d\n%s", path, code, body)
	}
	return body
}

func (s *site) post(path, body string, head map[string]string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(body))
	r.Host = "127.0.0.1:8080"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for k, v := range head {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

var errDisk = errors.New("disk on fire at /secret/path")

func at(d int) time.Time { return today.AddDate(0, 0, d) }
func ptr[T any](v T) *T  { return &v }
func limit(a, b, c int) *alerts.Limit {
	return &alerts.Limit{P10: ptr(at(a)), P50: ptr(at(b)), P90: ptr(at(c))}
}
