package alerts

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/series"
)

func outcome(key string, found Found, at float64) Outcome {
	return Outcome{Key: key, At: on(at), Who: "Wes", Found: found, Cause: "filler neck rusted through", Correction: "filler neck renewed",
		CodesCleared: ptr(false), Reprogrammed: ptr(false), Hours: ptr(1.2)}
}

// ordered is a book with one leak on a work order.
func ordered(t *testing.T) (*Book, Alert, *WorkOrder) {
	t.Helper()
	b, _ := open(t)
	a := only(t, derive(evap(analyze.Drift, 10)))
	sync(t, b, []Alert{a})
	o, err := b.Order(t.Context(), a.ID, "Odalys", on(21))
	if err != nil {
		t.Fatal(err)
	}
	return b, a, o
}

func step(t *testing.T, b *Book, id string, st Step, n StepNote) *WorkOrder {
	t.Helper()
	if n.Who == "" {
		n.Who = "Priya"
	}
	o, err := b.Step(t.Context(), id, st, n)
	if err != nil {
		t.Fatalf("%s: %v", st, err)
	}
	return o
}

func TestLifeOfAWorkOrder(t *testing.T) {
	b, a, o := ordered(t)
	ctx := t.Context()
	day := shop.DayOf(on(33), time.UTC)
	o = step(t, b, o.ID, StepSchedule, StepNote{Slot: &Slot{Day: day, Bay: "1", Service: true}})
	if o.State != OrderScheduled || o.Slot.Day != day || o.Sequence != 1 || o.Slot.Who != "Priya" {
		t.Errorf("%+v", o)
	}
	if _, err := b.Step(ctx, o.ID, StepSchedule, StepNote{Who: "Priya", Slot: &Slot{Day: day + 1}}); !errors.Is(err, ErrInput) {
		t.Errorf("moved without a reason: %v", err)
	}
	o = step(t, b, o.ID, StepSchedule, StepNote{Why: "lift is down", Slot: &Slot{Day: day + 1}})
	o = step(t, b, o.ID, StepNoShow, StepNote{})
	o = step(t, b, o.ID, StepSchedule, StepNote{Why: "comes on Thursday", Slot: &Slot{Day: day + 3}})
	o = step(t, b, o.ID, StepArrive, StepNote{})
	o = step(t, b, o.ID, StepStart, StepNote{Who: "Wes"})
	o = step(t, b, o.ID, StepWait, StepNote{Who: "Wes", Why: "parts: filler neck"})
	if o.State != OrderWaiting || o.WaitingFor != "parts: filler neck" {
		t.Errorf("%+v", o)
	}
	if _, err := b.Finish(ctx, o.ID, Outcome{Key: "k"}); !errors.Is(err, ErrInput) || !strings.Contains(err.Error(), "codes were cleared") {
		t.Errorf("an outcome that says nothing: %v", err)
	}
	for range 2 { // the phone sends it again
		var err error
		if o, err = b.Finish(ctx, o.ID, outcome("phone-1", FoundCause, 29)); err != nil {
			t.Fatal(err)
		}
	}
	if o.State != OrderVerifying || len(o.Outcomes) != 1 || !slices.Equal(o.AskedAlong, []string{"evap"}) {
		t.Errorf("%+v", o)
	}
	if got, _ := get(t, b, a.ID); got.State != Verifying {
		t.Errorf("the alert is %s", got.State)
	}
	amended := outcome("desk-2", FoundCause, 29)
	amended.Cause = "pump seal"
	if o, _ = b.Finish(ctx, o.ID, amended); o.Last().Cause != "pump seal" || len(o.Outcomes) != 1 {
		t.Errorf("%+v", o)
	}
	var states []OrderState
	history, err := b.OrderHistory(ctx, o.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range history {
		states = append(states, h.To)
		if h.Who == "" || h.At.IsZero() {
			t.Errorf("%+v", h)
		}
	}
	want := []OrderState{OrderProposed, OrderApproved, OrderScheduled, OrderScheduled, OrderNoShow, OrderScheduled, OrderArrived, OrderInProgress, OrderWaiting, OrderDone, OrderVerifying, OrderVerifying}
	if !slices.Equal(states, want) {
		t.Errorf("history %v, want %v", states, want)
	}
	facts, err := b.Facts(ctx, "217")
	if err != nil || len(facts) != 1 || !strings.Contains(facts[0].Text, "pump seal") {
		t.Errorf("%+v %v", facts, err)
	}
}

// The history takes new rows only, whoever asks the database.
func TestHistoryIsAppendOnly(t *testing.T) {
	b, db := open(t)
	a := only(t, derive(evap(analyze.Drift, 10)))
	sync(t, b, []Alert{a})
	if _, err := b.Order(t.Context(), a.ID, "Odalys", on(21)); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{`update order_audit set who = 'x'`, `delete from order_audit`, `update alert_audit set why = ''`, `delete from alert_audit`} {
		if _, err := db.ExecContext(t.Context(), q); err == nil || !strings.Contains(err.Error(), "new rows only") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

func TestDeferralEndsByItself(t *testing.T) {
	b, _, o := ordered(t)
	if _, err := b.Step(t.Context(), o.ID, StepDefer, StepNote{Who: "Odalys", Until: on(40)}); !errors.Is(err, ErrInput) {
		t.Errorf("without a reason: %v", err)
	}
	o = step(t, b, o.ID, StepDefer, StepNote{Why: "at the coast", Until: on(40)})
	if o.State != OrderDeferred || !o.Deferred.Until.Equal(on(40)) {
		t.Errorf("%+v", o)
	}
	b.SetClock(func() time.Time { return on(40) })
	if o, _ = b.OrderByID(t.Context(), o.ID); o.State != OrderApproved {
		t.Errorf("%+v", o)
	}
	o = step(t, b, o.ID, StepCancel, StepNote{Why: "unit is sold"})
	if a := only(t, listed(t, b, false)); o.State != OrderCancelled || a.State != Open {
		t.Errorf("%s, alert %s", o.State, a.State)
	}
}

// No sequence of steps reaches a state that the table does not allow, and every change is in the history.
func TestStepsProperty(t *testing.T) {
	all := []Step{StepApprove, StepSchedule, StepArrive, StepStart, StepWait, StepFinish, StepClose, StepDefer, StepCancel, StepNoShow, StepRelease, StepReopen}
	rapid.Check(t, func(rt *rapid.T) {
		b, _, o := ordered(t)
		changes := 2 // proposed, approved
		for i := range rapid.IntRange(0, 12).Draw(rt, "n") {
			st := rapid.SampledFrom(all).Draw(rt, "step")
			before := o.State
			var next *WorkOrder
			var err error
			if st == StepFinish {
				next, err = b.Finish(t.Context(), o.ID, outcome(string(rune('a'+i)), FoundCause, 28))
			} else {
				next, err = b.Step(t.Context(), o.ID, st, StepNote{Who: "Priya", Why: "because", Slot: &Slot{Day: shop.DayOf(on(31), time.UTC)}, Until: on(60)})
			}
			allowed := slices.Contains(before.Steps(), st)
			amend := st == StepFinish && !before.Live() && before != OrderCancelled && o.Last() != nil
			switch {
			case err != nil && allowed:
				rt.Fatalf("%s from %s: %v", st, before, err)
			case err == nil && !allowed && !amend:
				rt.Fatalf("%s from %s was taken", st, before)
			case err != nil:
				if !errors.Is(err, ErrTransition) {
					rt.Fatal(err)
				}
				continue
			}
			changes++
			if st == StepFinish && allowed {
				changes++
			}
			o = next
		}
		history, err := b.OrderHistory(t.Context(), o.ID)
		if err != nil || len(history) != changes || history[len(history)-1].To != o.State {
			rt.Fatalf("%d entries for %d changes, %v", len(history), changes, err)
		}
	})
}

// course makes a trace: healthy level 240, spread 14, limit 500 (see signal); v are values, a day apart.
func traceOf(from float64, v ...float64) *analyze.Trace {
	tr := &analyze.Trace{Now: newest("evap", "m3c.t01", from+float64(len(v)))}
	for i, x := range v {
		tr.Points = append(tr.Points, analyze.Point{At: on(from + float64(i)), Epoch: 1, CalID: "CAL1", Value: x, Min: math.NaN(), Max: 500, Baseline: 240, Spread: 14})
	}
	return tr
}

func TestProve(t *testing.T) {
	sick := []float64{240, 236, 244, 300, 360, 420, 430, 440}
	cat := func(v ...float64) *analyze.Trace { return traceOf(20, append(slices.Clone(sick), v...)...) } // visit on day 27.5
	recal := cat(250, 251, 252)
	for i := 8; i < 11; i++ {
		recal.Points[i].CalID = "CAL2"
	}
	unknown := cat(250, 251, 252)
	for i := range unknown.Points {
		unknown.Points[i].Baseline = math.NaN()
	}
	gone := cat()
	gone.Now.LastRead = on(27)
	for name, c := range map[string]struct {
		tr   *analyze.Trace
		want Proven
		says string
	}{
		"no run yet":             {cat(), ProofWaiting, "0 of 3 fresh runs (overnight soak"},
		"two runs":               {cat(241, 239), ProofWaiting, "2 of 3"},
		"back":                   {cat(238, 247, 262), ProofRecovered, "came back"},
		"better than ever":       {cat(180, 190, 170), ProofRecovered, "came back"},
		"two spreads and a hair": {cat(240, 240, 269), ProofPartly, "A person decides"},
		"partly":                 {cat(330, 340, 335), ProofPartly, "37 %"},
		"wrong part":             {cat(430, 445, 450), ProofNotRecovered, "second look"},
		"beyond the limit":       {cat(520, 530, 540), ProofNotRecovered, "second look"},
		"reflashed":              {recal, ProofCannotTell, "calibration"},
		"sick from the start":    {unknown, ProofCannotTell, "no healthy level"},
		"no longer reported":     {gone, ProofCannotTell, "no longer reported"},
	} {
		r := Repair{At: on(27.5), Unit: "217", Newest: on(45), Now: on(29), Tests: derive(evap(analyze.Drift, 10))[0].Evidence,
			Courses: map[series.Key]*analyze.Trace{{Unit: "217", ECU: "7e8", Test: "m3c.t01"}: c.tr}}
		if name != "no longer reported" {
			r.Newest = on(29)
		}
		v := Prove(r, func(string) string { return "evap" }, nil)
		if v.State != c.want || !strings.Contains(v.Words, c.says) {
			t.Errorf("%s: %+v, want %s, %q", name, v, c.want, c.says)
		}
		if name == "no run yet" {
			if v.Expected == nil || v.Chase {
				t.Errorf("%+v", v)
			}
			r.Now = on(60)
			if v = Prove(r, func(string) string { return "evap" }, nil); !v.Chase {
				t.Errorf("nobody chases it: %+v", v)
			}
		}
	}
	if v := Prove(Repair{At: on(27)}, func(string) string { return "" }, nil); v.State != ProofCannotTell {
		t.Errorf("%+v", v)
	}
}

func TestJudge(t *testing.T) {
	for name, c := range map[string]struct {
		found Found
		v     Proven
		order OrderState
		alert State
		says  string
	}{
		"recovered":                 {FoundCause, ProofRecovered, OrderClosed, Verifying, "came back"},
		"wrong repair":              {FoundCause, ProofNotRecovered, OrderApproved, Ordered, "second look"},
		"not found and still bad":   {FoundNothing, ProofNotRecovered, OrderApproved, Ordered, "Not found, and still bad"},
		"not found, back by itself": {FoundNothing, ProofRecovered, OrderClosed, Verifying, "came back"},
		"cannot tell":               {FoundCause, ProofCannotTell, OrderVerifying, Verifying, "A person decides"},
	} {
		b, a, o := ordered(t)
		if _, err := b.Finish(t.Context(), o.ID, outcome("k", c.found, 25)); err != nil {
			t.Fatal(err)
		}
		v := Verdict{State: c.v}
		v.Words = v.words(Proof{Test: "m3c.t01", After: ptr(0.8)})
		for range 2 {
			var err error
			if o, err = b.Judge(t.Context(), o.ID, v); err != nil {
				t.Fatal(err)
			}
		}
		got, _ := get(t, b, a.ID)
		history, _ := b.OrderHistory(t.Context(), o.ID)
		if o.State != c.order || got.State != c.alert || !strings.Contains(history[len(history)-1].Why, c.says) {
			t.Errorf("%s: order %s, alert %s, %+v", name, o.State, got.State, history[len(history)-1])
		}
		if o.Comebacks != 0 != (c.v == ProofNotRecovered) {
			t.Errorf("%s: %d comebacks", name, o.Comebacks)
		}
	}
}

func driven(s analyze.Signal, km float64) analyze.Signal {
	s.Evidence.OdometerKm = km
	return s
}

// A repair that does not hold for 30 days or 1,000 miles opens its order again; a later one does not, nor does another family.
func TestComeback(t *testing.T) {
	for name, c := range map[string]struct {
		signal  analyze.Signal
		written float64 // odometer on the outcome, km; 0 nobody wrote it
		read    float64 // as the vehicle told it
		opens   bool
	}{
		"within 30 days":           {evap(analyze.Drift, 40), 0, 0, true},
		"after 30 days":            {evap(analyze.Drift, 70), 0, 0, false},
		"another family":           {cat(40), 0, 0, false},
		"stands again":             {evap(analyze.Failed, 45), 0, 0, true},
		"before the visit":         {evap(analyze.Failed, 24), 0, 0, false},
		"within 1,000 miles":       {driven(evap(analyze.Drift, 70), 50_000), 48_400, 0, true}, // 1,600 km
		"after 1,000 miles":        {driven(evap(analyze.Drift, 70), 50_000), 48_390, 0, false},
		"... by the vehicle":       {driven(evap(analyze.Drift, 70), 50_000), 0, 48_400, true},
		"... what is written wins": {driven(evap(analyze.Drift, 70), 50_000), 40_000, 48_400, false},
		"the odometer fell":        {driven(evap(analyze.Drift, 70), 900), 48_400, 0, false},
		"far, but soon":            {driven(evap(analyze.Drift, 40), 60_000), 48_400, 0, true},
		"near, another family":     {driven(cat(70), 48_500), 48_400, 0, false},
	} {
		b, _, o := ordered(t)
		x := outcome("k", FoundCause, 25)
		if c.written > 0 {
			x.OdometerKm = &c.written
		}
		if c.read > 0 {
			x.ReadKm = &c.read
		}
		if _, err := b.Finish(t.Context(), o.ID, x); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Judge(t.Context(), o.ID, Verdict{State: ProofRecovered}); err != nil {
			t.Fatal(err)
		}
		sync(t, b, derive(ended(evap(analyze.Drift, 10), 28, "recovered")))
		b.SetClock(func() time.Time { return on(80) })
		sync(t, b, derive(ended(evap(analyze.Drift, 10), 28, "recovered"), c.signal))
		got, err := b.OrderByID(t.Context(), o.ID)
		if err != nil || got.Open() != c.opens {
			t.Errorf("%s: order is %s, comebacks %d, %v", name, got.State, got.Comebacks, err)
		}
	}
}
