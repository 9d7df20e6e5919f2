package analyze

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// A fleet of three: one wears and sets its code, one sets a code from one day to the next, one has a hump that
// no code follows.
func trialHistory() *store {
	h := &store{}
	rng := rand.New(rand.NewPCG(1, 21))
	for u := range 3 {
		for i := range 200 {
			d := float64(i)
			x := 0.05 * rng.NormFloat64()
			switch {
			case u == 0:
				x += max(0, min(1.2, (d-40)/60))
			case u == 2 && d >= 40 && d < 75:
				x += 0.6 * (1 - math.Abs(d-57)/18)
			}
			p := poll(d, upTo(0.4+0.6*x))
			p.VIN, p.Device, p.ReportID = []string{"V1", "V2", "V3"}[u], []string{"d1", "d2", "d3"}[u], p.ReportID+string(rune('a'+u))
			if u == 0 && d >= 102 || u == 1 && d >= 150 {
				p.Codes = []series.Code{{ECU: "7e8", Kind: series.CodeConfirmed, Code: "P0420"}}
			}
			h.add(p)
		}
	}
	return h
}

// backtest is the trial of one settings.
func backtest(t *testing.T, r *Runner, w Window, set Settings) *Trial {
	t.Helper()
	trials, err := r.Backtest(t.Context(), w, set)
	if err != nil {
		t.Fatal(err)
	}
	return trials[0]
}

func TestBacktest(t *testing.T) {
	r := newTestRunner(t, trialHistory(), 3)
	before := r.Digest()
	trial := backtest(t, r, Window{}, DefaultSettings())
	if trial.Units != 3 || trial.Codes != 2 || trial.Preceded != 1 || trial.Alerts != 2 || trial.Unfollowed != 1 || trial.Undecided != 0 {
		t.Errorf("%+v, want 2 codes, one preceded, 2 alerts, one unfollowed", trial)
	}
	if math.Abs(trial.Months-3*199/30.44) > 0.01 {
		t.Errorf("%.2f vehicle-months", trial.Months)
	}
	if lead := trial.Lead(.5); lead < 20 || lead > 50 {
		t.Errorf("lead %.1f days", lead)
	}
	if s := trial.AheadShare(14); s.Value != 0.5 || s.Low > 0.1 || s.High < 0.9 {
		t.Errorf("share 14 days ahead %+v, want 0.5 with a wide interval", s)
	}
	if r.Digest() != before {
		t.Error("the runner's own state changed")
	}
	// Settings that never alarm on a drift, and a window that leaves the codes out.
	deaf, err := DefaultSettings().With([]string{"threshold=1000", "near_chance=2", "jump_in_row=100", "low_margin=0", "steep_most=1000"})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(deaf.Version, "+threshold=1000+near_chance=2+jump_in_row=100+low_margin=0+steep_most=1000") {
		t.Errorf("version %s does not tell what was changed", deaf.Version)
	}
	beside, err := r.Backtest(t.Context(), Window{}, DefaultSettings(), deaf)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(beside[0], trial) {
		t.Errorf("beside other settings %+v, alone %+v", beside[0], trial)
	}
	other := beside[1]
	if other.Preceded != 1 || other.Lead(.5) > 5 || other.Unfollowed != 0 {
		t.Errorf("deaf settings: %+v, want the code preceded by its failing result alone", other)
	}
	late := backtest(t, r, Window{From: epoch0.Add(160 * day)}, DefaultSettings())
	if late.Codes != 0 || late.Alerts != 0 || late.Months > 3*40/30. {
		t.Errorf("window after everything: %+v", late)
	}
}

func TestSettingsAreChangedByName(t *testing.T) {
	for _, bad := range []string{"treshold=12", "threshold", "threshold=x", "families=3", "version=2", "confirm=2", "min_results=2.5", "gate_used=-1", "gate_used=NaN"} {
		if _, err := DefaultSettings().With([]string{bad}); err == nil || !strings.Contains(err.Error(), "setting") {
			t.Errorf("%s: %v, want an error that names the setting", bad, err)
		}
	}
	s, err := DefaultSettings().With([]string{"gate_used=0.4", "min_results=9"})
	if err != nil || s.GateUsed != 0.4 || s.MinResults != 9 {
		t.Errorf("%v %g %d", err, s.GateUsed, s.MinResults)
	}
	if DefaultSettings().GateUsed == 0.4 {
		t.Error("the shipped settings changed")
	}
}

// Worked intervals: Wilson for 7 of 10 is 0.397 to 0.892 (Newcombe 1998, Statistics in Medicine 17:857,
// method 3, for such counts; recomputed), Poisson for 10 is 4.80 to 18.39 (exact, Garwood 1936; Byar's
// approximation agrees to 0.03).
func TestIntervals(t *testing.T) {
	if r := wilson(7, 10); math.Abs(r.Low-0.3968) > 5e-4 || math.Abs(r.High-0.8922) > 5e-4 {
		t.Errorf("7 of 10: %+v", r)
	}
	if lo, hi := poissonRange(10); math.Abs(lo-4.795) > 0.03 || math.Abs(hi-18.39) > 0.03 {
		t.Errorf("10: %.3f to %.3f", lo, hi)
	}
	if lo, hi := poissonRange(0); lo != 0 || math.Abs(hi-3.69) > 0.1 {
		t.Errorf("0: %.3f to %.3f, exact 0 to 3.69", lo, hi)
	}
}
