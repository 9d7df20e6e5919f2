package alerts

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"marginline/analyze"
	"marginline/ingest/series"
)

// catalyst is all that the detector of this test knows.
type catalyst struct{}

func (catalyst) Family(*series.Result) string { return "catalyst" }
func (catalyst) CodeFamily(code string) string {
	return map[bool]string{true: "catalyst"}[code == "P0420"]
}
func (catalyst) Group(*series.Result) int { return 0 }

// poll is one report a day of a catalyst ratio (thousandths) with a maximum of 800.
func poll(day int, value float64, codes ...series.Code) *series.Poll {
	r := series.NewResult()
	r.ECU, r.MID, r.TID, r.UAS, r.Test, r.UnitOfMeasure = "7e8", 0x21, 0x89, 0x05, "m21.t89", "1"
	r.Raw = series.Raw{Value: int32(math.Round(value)), Min: 0, Max: 800}
	v := series.Judge(series.Unsigned, r.Raw, true)
	r.State, r.Passed, r.Margin = v.State, v.Passed, v.Margin
	r.Value, r.Max = float64(r.Raw.Value)/1000, 0.8
	return &series.Poll{ReportID: start.AddDate(0, 0, day).Format(time.DateOnly), VIN: "9ZZTEST74RA000217", ReadAt: start.AddDate(0, 0, day), ClockOK: true,
		Context: series.NoContext(), Results: []series.Result{r}, Codes: codes}
}

// The real detector, day after day into the real book: one alert is raised once, its id stays while its
// figures and its kind move on, it closes after the repair, and a rebuild from the first day changes nothing.
func TestLife(t *testing.T) {
	b, _ := open(t)
	set := analyze.DefaultSettings()
	fresh := func() *analyze.Vehicle { return analyze.NewVehicle("217", "9ZZTEST74RA000217", catalyst{}, &set) }
	v := fresh()
	r := rand.New(rand.NewPCG(7, 7))
	var polls []*series.Poll
	var id string
	kinds := map[analyze.Kind]bool{}
	state := State("")
	for day := range 160 {
		wear := 0.0
		if day > 60 && day < 130 {
			wear = float64(day-60) * 9 // beyond 800 on about day 116
		}
		p := poll(day, 300+12*r.NormFloat64()+wear)
		polls = append(polls, p)
		if err := v.Apply(p); err != nil {
			t.Fatal(err)
		}
		ch := sync(t, b, Derive(Case{Unit: van(), Names: someNames, Signals: v.Signals(), Series: v.Series()}))
		list := listed(t, b, true)
		switch {
		case id == "" && len(list) == 1:
			id = list[0].ID
			if day <= 60 || day > 110 {
				t.Errorf("raised on day %d, the drift runs from 60 to about 116", day)
			}
		case id != "" && len(ch.Raised) > 0:
			t.Fatalf("day %d: raised again: %+v", day, list)
		}
		if id != "" {
			a := only(t, list)
			kinds[a.Kind], state = true, a.State
			if n := len(sentence.FindAllString(a.Reason, -1)); n > 3 {
				t.Errorf("day %d: %d sentences: %s", day, n, a.Reason)
			}
		}
	}
	if id == "" || state != Closed || !kinds[analyze.Drift] || !kinds[analyze.Failed] {
		t.Fatalf("id %q, state %s, kinds %v", id, state, kinds)
	}
	a, history := get(t, b, id)
	if a.DriftSince == nil || a.DriftSince.Before(start.AddDate(0, 0, 45)) || a.DriftSince.After(a.RaisedAt) {
		t.Errorf("drift since %v, it began on %v", a.DriftSince, start.AddDate(0, 0, 60))
	}
	var happened []Happening // it wore on, the limit came near, a test failed, it was repaired
	for i, h := range history {
		happened = append(happened, h.Happening())
		if i > 0 && h.At.Before(history[i-1].At) {
			t.Errorf("step %d is dated before the one before: %+v", i, history)
		}
	}
	if want := []Happening{WasRaised, HasWorsened, HasWorsened, HasEnded}; !slices.Equal(happened, want) {
		t.Errorf("happened: %v, want %v: %+v", happened, want, history)
	}
	if !strings.Contains(a.Reason, "back near the healthy level") {
		t.Error(a.Reason)
	}

	before := listed(t, b, true)
	again := fresh()
	for _, p := range polls {
		if err := again.Apply(p); err != nil {
			t.Fatal(err)
		}
	}
	if ch := sync(t, b, Derive(Case{Unit: van(), Names: someNames, Signals: again.Signals(), Series: again.Series()})); ch.Any() {
		t.Errorf("a rebuild changed %+v", ch)
	}
	if d := cmp.Diff(before, listed(t, b, true)); d != "" {
		t.Error(d)
	}
}

// A code that nothing warned of, from the real detector: shown as what it is.
func TestSurpriseFromTheDetector(t *testing.T) {
	set := analyze.DefaultSettings()
	v := analyze.NewVehicle("217", "", catalyst{}, &set)
	r := rand.New(rand.NewPCG(3, 3))
	for day := range 30 {
		var codes []series.Code
		if day >= 25 {
			codes = append(codes, series.Code{ECU: "7e8", Kind: series.CodeConfirmed, Code: "P0420"})
		}
		if err := v.Apply(poll(day, 300+12*r.NormFloat64(), codes...)); err != nil {
			t.Fatal(err)
		}
	}
	a := only(t, Derive(Case{Unit: van(), Signals: v.Signals(), Series: v.Series()}))
	if a.Kind != analyze.Surprise || a.Family != "catalyst" || a.Tests[0] != "P0420" || !a.RaisedAt.Equal(start.AddDate(0, 0, 25)) || a.State != Open {
		t.Errorf("%+v", a)
	}
}
