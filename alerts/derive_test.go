package alerts

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func on(d float64) time.Time { return start.Add(time.Duration(d * 24 * float64(time.Hour))) }

type words map[string]string

func (w words) Test(test string) string { return w[test] }

var someNames = words{"m3c.t01": "EVAP leak of 0.020 in", "m21.t89": "Catalyst bank 1"}

func van() fleet.Unit {
	u := fleet.NewUnit("217")
	u.VIN, u.Fuel, u.WeightClass, u.TimeZone = "9ZZTEST74RA000217", "petrol", "light", "America/New_York"
	u.InService = time.Date(2021, 4, 1, 0, 0, 0, 0, time.UTC)
	return u
}

func signal(family, test string, kind analyze.Kind, at float64) analyze.Signal {
	return analyze.Signal{
		Key: series.Key{Unit: "217", ECU: "7e8", Test: test}, VIN: "9ZZTEST74RA000217", Family: family, Kind: kind, RaisedAt: on(at),
		Evidence: analyze.Evidence{
			Settings: "1", Epoch: 1, Fresh: 40, Baseline: 240, Spread: 14, Toward: "max", Value: 400, Limit: 500, UnitOfMeasure: "Pa",
			Used: 0.6, Score: 12, Threshold: 9, Since: on(at - 20),
		},
	}
}

func ended(s analyze.Signal, at float64, why string) analyze.Signal {
	s.EndedAt, s.Ended = on(at), why
	return s
}

func newest(family, test string, at float64) analyze.Now {
	return analyze.Now{
		Key: series.Key{Unit: "217", ECU: "7e8", Test: test}, Family: family, LastRead: on(at), LastFresh: on(at), State: series.StateOK,
		Value: 420, Min: math.NaN(), Max: 500, UnitOfMeasure: "Pa", Margin: 0.16, Passed: series.True, Epoch: 1, Fresh: 50,
		Baseline: 240, Spread: 14, Toward: "max", Used: 0.69, Score: 14, Threshold: 9, Since: on(at - 25), PCross30d: 0.8,
		Crossing: &analyze.Crossing{P10: on(at + 6), P50: on(at + 15), P90: on(at + 34)},
	}
}

func only(t *testing.T, list []Alert) Alert {
	t.Helper()
	if len(list) != 1 {
		t.Fatalf("%d alerts, want 1: %+v", len(list), list)
	}
	return list[0]
}

func TestDeriveOneRowACause(t *testing.T) {
	c := Case{Unit: van(), Names: someNames,
		Signals: []analyze.Signal{
			signal("evap", "m3c.t01", analyze.Drift, 10), signal("evap", "m3b.t01", analyze.Drift, 12),
			signal("evap", "m3c.t01", analyze.Imminent, 14), signal("catalyst", "m21.t89", analyze.Jump, 11),
		},
		Series: []analyze.Now{newest("evap", "m3c.t01", 20), newest("evap", "m3b.t01", 20), newest("catalyst", "m21.t89", 19)},
	}
	list := Derive(c)
	if len(list) != 2 {
		t.Fatalf("%d alerts, want 2", len(list))
	}
	a := list[slices.IndexFunc(list, func(a Alert) bool { return a.Family == "evap" })]
	want := Alert{
		ID: a.ID, Unit: "217", VIN: "9ZZTEST74RA000217", ECU: "7e8", Tests: []string{"m3c.t01", "m3b.t01"}, Family: "evap",
		Kind: analyze.Imminent, Consequence: Cost, State: Open, RaisedAt: on(10), DriftSince: ptr(on(-10)), Margin: ptr(0.16),
		LimitAt: &Limit{ptr(on(26)), ptr(on(35)), ptr(on(54))}, Reason: a.Reason, Evidence: a.Evidence,
	}
	if d := cmp.Diff(want, a); d != "" {
		t.Error(d)
	}
	for _, s := range []string{"slowly losing tightness", "EVAP leak of 0.020 in: 420 Pa against the maximum of 500 Pa", "69 % of the way there from this unit's healthy level of 240 Pa", "it began no later than 20 Feb 2026", "between 28 Mar 2026 and 25 Apr 2026"} {
		if !strings.Contains(a.Reason, s) {
			t.Errorf("reason lacks %q: %s", s, a.Reason)
		}
	}
}

func ptr[T any](v T) *T { return &v }

// The same signals in any order give the same alerts, ids included.
func TestDeriveDoesNotDependOnOrder(t *testing.T) {
	var c Case
	c.Unit = van()
	for i, f := range []string{"evap", "catalyst", "misfire", "evap", "o2_sensor", "evap"} {
		s := signal(f, f+".t", analyze.Drift, float64(i*7))
		if i%2 == 0 {
			s = ended(s, float64(i*7+5), "recovered")
		}
		c.Signals = append(c.Signals, s, signal(f, f+".u", analyze.Failed, float64(i*7)))
		c.Series = append(c.Series, newest(f, f+".t", 60))
	}
	want := Derive(c)
	r := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		r.Shuffle(len(c.Signals), func(i, j int) { c.Signals[i], c.Signals[j] = c.Signals[j], c.Signals[i] })
		r.Shuffle(len(c.Series), func(i, j int) { c.Series[i], c.Series[j] = c.Series[j], c.Series[i] })
		if d := cmp.Diff(want, Derive(c)); d != "" {
			t.Fatal(d)
		}
	}
	ids := map[string]bool{}
	for _, a := range want {
		if ids[a.ID] {
			t.Errorf("id %s twice", a.ID)
		}
		ids[a.ID] = true
		if !regexp.MustCompile(`^a-[A-Z2-7]{12}$`).MatchString(a.ID) {
			t.Errorf("id %q", a.ID)
		}
	}
}

func TestEpisodes(t *testing.T) {
	drift := func(at, end float64) analyze.Signal {
		s := signal("evap", "m3c.t01", analyze.Drift, at)
		if end > 0 {
			s = ended(s, end, "recovered")
		}
		return s
	}
	other := func(at float64) analyze.Signal { return signal("evap", "m3b.t01", analyze.Failed, at) }
	code := func(at float64) analyze.Signal {
		s := signal("evap", "P0456", analyze.Surprise, at)
		s.Key.ECU = "7ea" // sorts after the tests'
		s.Evidence = analyze.Evidence{Settings: "1", Baseline: math.NaN(), Spread: math.NaN(), Value: math.NaN(), Limit: math.NaN(), Used: math.NaN(), Score: math.NaN(), Threshold: math.NaN()}
		return s
	}
	stops := func(at float64) analyze.Signal { return signal("evap", "m3c.t01", analyze.NotRunning, at) }
	for name, c := range map[string]struct {
		signals []analyze.Signal
		want    string // kind state, in the order raised
	}{
		"stands":                         {[]analyze.Signal{drift(1, 0)}, "drift open"},
		"recovered":                      {[]analyze.Signal{drift(1, 9)}, "drift closed"},
		"two episodes":                   {[]analyze.Signal{drift(1, 9), drift(20, 0)}, "drift closed, drift open"},
		"overlap":                        {[]analyze.Signal{drift(1, 9), other(5)}, "failed open"},
		"a test recovers, one stands":    {[]analyze.Signal{other(1), drift(2, 9)}, "failed open"},
		"the failed one recovers":        {[]analyze.Signal{drift(1, 0), ended(other(2), 8, "recovered")}, "drift open"},
		"code alone":                     {[]analyze.Signal{code(1)}, "surprise open"},
		"code and test in one report":    {[]analyze.Signal{other(1), code(1)}, "surprise open"},
		"code, then its tests":           {[]analyze.Signal{code(1), other(4)}, "surprise open"},
		"code, its tests recover":        {[]analyze.Signal{code(1), ended(other(4), 30, "recovered")}, "surprise closed"},
		"code, a drift months later":     {[]analyze.Signal{code(1), drift(90, 0)}, "surprise open, drift open"},
		"not running is its own matter":  {[]analyze.Signal{drift(1, 0), stops(3)}, "drift open, not_running open"},
		"all in one report: the gravest": {[]analyze.Signal{drift(1, 0), other(1)}, "failed open"},
	} {
		list := Derive(Case{Unit: van(), Signals: c.signals})
		slices.SortFunc(list, func(a, b Alert) int { return a.RaisedAt.Compare(b.RaisedAt) })
		var got []string
		for _, a := range list {
			got = append(got, string(a.Kind)+" "+string(a.State))
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%s: %s, want %s", name, s, c.want)
		}
	}
	a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{drift(1, 0), signal("evap", "m3d.t01", analyze.Failed, 1)}}))
	if a.Tests[0] != "m3d.t01" {
		t.Errorf("raised by %v, want the failed test first", a.Tests)
	}
}

// The ordinal of an episode, not its dates, is part of the id: a late reading that moves the start keeps it.
func TestIDSurvivesLateReadings(t *testing.T) {
	a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{signal("evap", "m3c.t01", analyze.Drift, 10)}}))
	b := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{signal("evap", "m3b.t01", analyze.Jump, 8), signal("evap", "m3c.t01", analyze.Drift, 9)}}))
	if a.ID != b.ID {
		t.Errorf("%s and %s", a.ID, b.ID)
	}
	u := van()
	u.Unit = "218"
	if c := only(t, Derive(Case{Unit: u, Signals: []analyze.Signal{signal("evap", "m3c.t01", analyze.Drift, 10)}})); c.ID == a.ID {
		t.Error("two units share an id")
	}
}

func TestLimitAt(t *testing.T) {
	s := signal("evap", "m3c.t01", analyze.Drift, 10)
	for name, c := range map[string]struct {
		signal   analyze.Signal
		crossing *analyze.Crossing
		want     *Limit
		reason   string
	}{
		"no evidence":   {s, nil, nil, "not enough evidence for a date"},
		"beyond a year": {s, &analyze.Crossing{}, &Limit{}, "more than a year away"},
		"late end open": {s, &analyze.Crossing{P10: on(40), P50: on(200)}, &Limit{P10: ptr(on(40)), P50: ptr(on(200))}, "from 11 Apr 2026 on, or not within a year"},
		"ended":         {ended(s, 19, "recovered"), &analyze.Crossing{P10: on(40), P50: on(50), P90: on(60)}, nil, "back near the healthy level on 21 Mar 2026"},
		"ended, epoch":  {ended(s, 19, "epoch"), &analyze.Crossing{}, nil, "another calibration or other limits"},
		"early end met": {s, &analyze.Crossing{P10: on(18), P50: on(30), P90: on(40)}, &Limit{ptr(on(18)), ptr(on(30)), ptr(on(40))}, "by 11 Apr 2026, and may do so any day"},
		"late end met":  {s, &analyze.Crossing{P10: on(12), P50: on(14), P90: on(16)}, &Limit{ptr(on(12)), ptr(on(14)), ptr(on(16))}, "should be reached by now"},
	} {
		n := newest("evap", "m3c.t01", 20)
		n.Crossing = c.crossing
		a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{c.signal}, Series: []analyze.Now{n}}))
		if d := cmp.Diff(c.want, a.LimitAt); d != "" {
			t.Errorf("%s: %s", name, d)
		}
		if !strings.Contains(a.Reason, c.reason) {
			t.Errorf("%s: reason lacks %q: %s", name, c.reason, a.Reason)
		}
	}
}

// After a clear the newest reading is no measurement: the one that raised the alert stays in the words.
func TestNoMeasurementIsNoValue(t *testing.T) {
	n := newest("evap", "m3c.t01", 20)
	n.State, n.Value, n.Max, n.Margin = series.StateNotRun, 0, 0, math.NaN()
	a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{signal("evap", "m3c.t01", analyze.Drift, 10)}, Series: []analyze.Now{n}}))
	if a.Margin != nil || !strings.Contains(a.Reason, "400 Pa against the maximum of 500 Pa") {
		t.Errorf("margin %v: %s", a.Margin, a.Reason)
	}
}

// The JSON has exactly the keys of the list, in their order, nulls written.
func TestJSON(t *testing.T) {
	n := newest("evap", "m3c.t01", 20)
	n.Crossing, n.Margin = nil, math.NaN()
	s := signal("evap", "m3c.t01", analyze.Jump, 10)
	s.Evidence.Since = time.Time{}
	a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{s}, Series: []analyze.Now{n}}))
	text, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"id", "unit", "vin", "ecu", "tests", "family", "kind", "consequence", "state", "raised_at", "drift_since", "margin", "limit_at", "reason", "explained_by", "order_id"}
	dec := json.NewDecoder(strings.NewReader(string(text)))
	var keys []string
	_, _ = dec.Token()
	for dec.More() {
		k, err := dec.Token()
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, k.(string))
		var v json.RawMessage
		if err := dec.Decode(&v); err != nil {
			t.Fatal(err)
		}
		if slices.Contains([]string{"drift_since", "margin", "limit_at", "explained_by", "order_id"}, k.(string)) && string(v) != "null" {
			t.Errorf("%s is %s, want null", k, v)
		}
	}
	if d := cmp.Diff(want, keys); d != "" {
		t.Error(d)
	}
	if text, _ = json.Marshal(&Limit{P50: ptr(on(1))}); string(text) != `{"p10":null,"p50":"2026-03-03T06:00:00Z","p90":null}` {
		t.Errorf("limit: %s", text)
	}
}

func TestRank(t *testing.T) {
	list := []Alert{
		{ID: "e", Consequence: Note, RaisedAt: on(0)},
		{ID: "d2", Consequence: Cost, RaisedAt: on(2)},
		{ID: "d1", Consequence: Cost, RaisedAt: on(1)},
		{ID: "d0", Consequence: Cost, RaisedAt: on(9), LimitAt: &Limit{P10: ptr(on(99))}},
		{ID: "c", Consequence: Compliance, RaisedAt: on(5), LimitAt: &Limit{}},
		{ID: "b2", Consequence: RoadCall, RaisedAt: on(3), LimitAt: &Limit{P10: ptr(on(8))}},
		{ID: "b1", Consequence: RoadCall, RaisedAt: on(4), LimitAt: &Limit{P10: ptr(on(7))}},
		{ID: "a2", Consequence: Stop, RaisedAt: on(5)},
		{ID: "a1", Consequence: Stop, RaisedAt: on(5)},
	}
	Rank(list)
	var got []string
	for _, a := range list {
		got = append(got, a.ID)
	}
	if s := strings.Join(got, " "); s != "a1 a2 b1 b2 c d0 d1 d2 e" {
		t.Error(s)
	}
}

func BenchmarkDerive(b *testing.B) {
	c := Case{Unit: van(), Signals: []analyze.Signal{signal("evap", "m3c.t01", analyze.Drift, 10), signal("catalyst", "m21.t89", analyze.Drift, 12)}}
	for i := range 40 {
		c.Series = append(c.Series, newest("evap", "m3c.t0"+string(rune('a'+i)), 20))
	}
	for b.Loop() {
		Derive(c)
	}
}
