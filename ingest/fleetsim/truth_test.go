package fleetsim

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// The truth fits together: a code comes after a failing result, and that after the onset; a visit comes
// after the code.
func TestTruthIsConsistent(t *testing.T) {
	modes := map[Mode]int{}
	coded, repaired := 0, 0
	for seed := range uint64(6) {
		f, err := New(Config{Seed: seed, End: testEnd, Repairs: true})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(f.Truth()); n < 8 || n > 32 {
			t.Errorf("seed %d: %d faults in 48 units: want enough to score and most units healthy", seed, n)
		}
		for _, x := range f.Truth() {
			modes[x.Mode]++
			if len(x.Tests) == 0 || x.Family == "" || x.Unit == "" || x.ECU == "" || x.Code == "" {
				t.Errorf("incomplete: %+v", x)
			}
			if x.Onset.Before(f.cfg.start()) || x.Onset.After(f.cfg.End) {
				t.Errorf("unit %s: onset %s outside the history", x.Unit, x.Onset)
			}
			if !x.Crosses.IsZero() && !x.Crosses.After(x.Onset) {
				t.Errorf("unit %s: crosses %s, onset %s", x.Unit, x.Crosses, x.Onset)
			}
			if !x.LimitAt.IsZero() && !x.LimitAt.After(x.Onset) {
				t.Errorf("unit %s: limit %s, onset %s", x.Unit, x.LimitAt, x.Onset)
			}
			if !x.CodeAt.IsZero() {
				coded++
				if x.Crosses.IsZero() || x.CodeAt.Before(x.Crosses) {
					t.Errorf("unit %s: code %s before crossing %s", x.Unit, x.CodeAt, x.Crosses)
				}
			}
			if !x.Repaired.IsZero() {
				repaired++
				if x.CodeAt.IsZero() || !x.Repaired.After(x.CodeAt) {
					t.Errorf("unit %s: repaired %s, code %s", x.Unit, x.Repaired, x.CodeAt)
				}
			}
		}
		var b bytes.Buffer
		if err := f.WriteTruth(&b); err != nil {
			t.Fatal(err)
		}
		var back []Fault
		if err := json.Unmarshal(b.Bytes(), &back); err != nil || len(back) != len(f.Truth()) {
			t.Errorf("truth file: %d faults, %v", len(back), err)
		}
	}
	for _, m := range []Mode{Slow, Fast, Step, Intermittent} {
		if modes[m] == 0 {
			t.Errorf("no %s fault in six fleets", m)
		}
	}
	if coded < 30 || repaired < 15 {
		t.Errorf("%d coded, %d repaired in six fleets: too few to learn from", coded, repaired)
	}
	t.Logf("%v, %d coded, %d repaired", modes, coded, repaired)
}

// Slow wear mostly has a healthy stretch before it and reaches its code within the history.
func TestSlowWearCanBeScored(t *testing.T) {
	n, before, reached := 0, 0, 0
	for seed := range uint64(6) {
		f, err := New(Config{Seed: seed, End: testEnd})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range f.Truth() {
			if x.Mode != Slow {
				continue
			}
			n++
			if x.Onset.Sub(f.cfg.start()) >= 30*day {
				before++
			}
			if !x.CodeAt.IsZero() {
				reached++
			}
		}
	}
	if n < 35 || before*10 < n*9 || reached*2 < n {
		t.Errorf("%d slow faults, %d with a month before, %d with a code", n, before, reached)
	}
}

// The truth is complete: no test of a vehicle fails, and no code is stored, but for a fault in it.
func TestHealthyStaysHealthy(t *testing.T) {
	for seed, scenario := range []string{"", "", "hard"} {
		f, err := New(Config{Seed: uint64(seed), End: testEnd, Repairs: true, Scenario: scenario})
		if err != nil {
			t.Fatal(err)
		}
		p := f.play(false)
		checked := 0
		for p.from.Before(f.cfg.End) {
			p.next()
			for _, v := range p.vehicles {
				for _, m := range v.tests {
					if slices.ContainsFunc(m.faults, func(w *wear) bool { return p.from.After(w.Onset) }) {
						continue
					}
					checked++
					for _, c := range m.codes {
						if c != nil && (c.pending || c.stored) {
							t.Fatalf("seed %d unit %s: %s set %s and has no fault", seed, v.unit.Unit, m.key, c.text)
						}
					}
				}
				for _, c := range v.cylinders {
					if len(c.faults) == 0 && (c.code.pending || c.code.stored) {
						t.Fatalf("seed %d unit %s: %s without a fault", seed, v.unit.Unit, c.code.text)
					}
				}
			}
		}
		if checked < 50000 {
			t.Errorf("only %d states checked", checked)
		}
	}
}

// A fault in one vehicle changes nothing in another, nor in the other tests of its own.
func TestVehiclesAreIndependent(t *testing.T) {
	lines := func(rate float64) map[string][]string {
		f, err := New(Config{Units: 20, Days: 60, Seed: 5, End: testEnd, FaultRate: rate})
		if err != nil {
			t.Fatal(err)
		}
		out := map[string][]string{}
		for s := range f.Reports() {
			out[s.Device] = append(out[s.Device], string(s.Payload))
		}
		for _, x := range f.Truth() {
			out["dgl-"+x.Unit] = nil
		}
		return out
	}
	healthy, sick := lines(-1), lines(8)
	same, faulty := 0, 0
	for device, want := range healthy {
		got := sick[device]
		if got == nil {
			faulty++
			continue
		}
		same++
		if strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Errorf("%s is healthy in both fleets and differs", device)
		}
	}
	if same < 3 || faulty < 3 {
		t.Errorf("%d healthy and %d faulty units: want some of both", same, faulty)
	}
}

func TestConfigIsChecked(t *testing.T) {
	for _, c := range []Config{
		{Units: -1, End: testEnd}, {Units: 1 << 20, End: testEnd}, {Days: -3, End: testEnd}, {},
		{End: testEnd, Scenario: "opera"}, {End: testEnd, Scenario: "demo", Units: 12}, {End: testEnd, Noise: -1},
		{End: testEnd, Scenario: "demo", Days: 20}, {End: time.Date(1990, 1, 1, 0, 0, 0, 0, time.UTC)},
	} {
		if _, err := New(c); err == nil || !strings.Contains(err.Error(), "want") && !strings.Contains(err.Error(), "at least") {
			t.Errorf("%+v: error %v, want one that says what is wanted", c, err)
		}
	}
}
