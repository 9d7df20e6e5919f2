package analyze

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// A leakDay is what a tank and its leak test do on one day: the share used without the confounder, whether the tank was
// filled the evening before, and the temperature.
type leakDay struct {
	used    float64
	filled  bool
	ambient float64
}

// leakPoll is the morning's report: the test ran on the fuel level and the temperature of the day. Vapour of a fill in
// heat adds to it; the detector does not know how much.
func leakPoll(d float64, x leakDay, fuel, noise float64) *series.Poll {
	u := x.used + 0.03*noise
	if x.filled && x.ambient >= heatFrom {
		u += 0.55
	}
	p := poll(d, result(0x3B, 0x01, 0.4+0.6*u, none, 1))
	p.Context.FuelLevelPct, p.Context.AmbientC = fuel, x.ambient
	return p
}

// playLeak folds days, with the fuel level that follows from the fills.
func playLeak(t *testing.T, rng *rand.Rand, v *Vehicle, from int, list []leakDay) (polls []*series.Poll) {
	fuel := 60.0
	level := func(d float64, pct, ambient float64) {
		p := poll(d, upTo(0.4))
		p.Results, p.Context.FuelLevelPct, p.Context.AmbientC = nil, pct, ambient
		polls = append(polls, p)
	}
	for i, x := range list {
		fuel -= 12
		level(float64(from+i)-0.45, fuel, x.ambient)
		switch {
		case x.filled:
			fuel = 78
			level(float64(from+i)-0.4, fuel, x.ambient)
		case fuel < 25: // filled up long before the test runs
			fuel = 75
			level(float64(from+i)-0.9, fuel, x.ambient)
		}
		polls = append(polls, leakPoll(float64(from+i), x, fuel, rng.NormFloat64()))
	}
	slices.SortFunc(polls, order)
	apply(t, v, polls...)
	return polls
}

// Excursions that came after fills in heat, with healthy results between and after them, are explained with figures;
// a real leak in the same unit, fills and heat and all, is not.
func TestRefuellingInHeatExplains(t *testing.T) {
	for seed := range uint64(10) {
		week := func(leak float64, cool int) (list []leakDay) {
			for i := range 50 {
				list = append(list, leakDay{ambient: 16, filled: i%6 == 5})
			}
			for i := range 6 { // a hot week with a fill each evening
				list = append(list, leakDay{used: leak, filled: true, ambient: 31 + float64(i)})
			}
			for range cool {
				list = append(list, leakDay{used: leak, ambient: 24})
			}
			return list
		}
		v := newTestVehicle(t)
		playLeak(t, rand.New(rand.NewPCG(seed, 41)), v, 0, week(0, 3))
		if len(v.signals) == 0 {
			t.Errorf("seed %d: five results far out raise nothing, so there is nothing to explain", seed)
		}
		for _, s := range v.signals {
			for _, want := range []string{"refuelling", "heat", " results far out", "to 36 °C", "the 3 read otherwise"} {
				if !strings.Contains(s.Explained, want) {
					t.Errorf("seed %d: %s explained %q, want %q in it", seed, s.Kind, s.Explained, want)
				}
			}
		}
		v = newTestVehicle(t)
		playLeak(t, rand.New(rand.NewPCG(seed, 41)), v, 0, week(0.45, 8))
		if kinds := kindsOf(v.signals); !strings.Contains(kinds, "drift") && !strings.Contains(kinds, "jump") && !strings.Contains(kinds, "imminent") {
			t.Errorf("seed %d: a leak raised %q", seed, kinds)
		}
		for _, s := range v.signals {
			if s.Explained != "" {
				t.Errorf("seed %d: a leak is explained away: %s", seed, s.Explained)
			}
		}
	}
}

// A leak that begins after an explanation takes the explanation back.
func TestExplanationIsTakenBack(t *testing.T) {
	for seed := range uint64(10) {
		var list []leakDay
		for i := range 50 {
			list = append(list, leakDay{ambient: 16, filled: i%6 == 5})
		}
		for range 5 {
			list = append(list, leakDay{filled: true, ambient: 33})
		}
		list = append(list, leakDay{ambient: 24}, leakDay{ambient: 24}, leakDay{ambient: 24})
		rng := rand.New(rand.NewPCG(seed, 42))
		v := newTestVehicle(t)
		playLeak(t, rng, v, 0, list)
		if len(v.signals) == 0 || v.signals[0].Explained == "" {
			t.Fatalf("seed %d: nothing is explained: %s", seed, kindsOf(v.signals))
		}
		var leak []leakDay
		for range 6 {
			leak = append(leak, leakDay{used: 0.5, ambient: 20})
		}
		playLeak(t, rng, v, 60, leak)
		open := false
		for _, s := range v.signals {
			open = open || s.EndedAt.IsZero() && s.Explained == ""
		}
		if !open {
			t.Errorf("seed %d: a leak after the hot week stays explained: %+v", seed, v.signals)
		}
	}
}

// The state with results set aside is packed and folded in any order like every other.
func TestAsidesArePacked(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 43))
	v := newTestVehicle(t)
	var list []leakDay
	for i := range 40 {
		list = append(list, leakDay{ambient: 16, filled: i%6 == 5})
	}
	for range 4 {
		list = append(list, leakDay{filled: true, ambient: 33})
	}
	playLeak(t, rng, v, 0, list)
	if len(v.watch[0].asides) == 0 || v.filledAt == 0 {
		t.Fatalf("nothing is set aside: %+v", v.watch[0].asides)
	}
	p := newPacker()
	w := newTestVehicle(t)
	p.unpack(p.pack(v), w)
	w.signals = v.signals
	if v.digest() != w.digest() {
		t.Error("unpacked, the state is another")
	}
	if at := timeOf(v.filledAt); at.Before(epoch0) || at.After(epoch0.Add(50*24*time.Hour)) {
		t.Errorf("filled at %s", at)
	}
}

// Altitude explains the boost of a unit that crosses a pass; a failed test is not explained by anything.
func TestAltitudeExplainsAndFailureDoesNot(t *testing.T) {
	for _, c := range []struct {
		name string
		high float64 // share used up there
		want bool
	}{{"an excursion", 0.7, true}, {"beyond the limit", 1.2, false}} {
		set := DefaultSettings()
		v := NewVehicle("1", "V1", plain{}, &set)
		rng := rand.New(rand.NewPCG(3, 44))
		for i := range 59 {
			u, kpa := 0.03*rng.NormFloat64(), 99.0
			if i >= 50 && i < 56 {
				u, kpa = u+c.high, 82
			}
			p := poll(float64(i), result(0x3B, 0x01, 0.4+0.6*u, none, 1))
			p.Context.BarometricKPa = kpa
			apply(t, v, p)
		}
		for _, s := range v.signals {
			if got := strings.HasPrefix(s.Explained, "altitude: 6 of the 6"); s.Kind != Failed && got != c.want || s.Kind == Failed && s.Explained != "" {
				t.Errorf("%s: %s explained %q", c.name, s.Kind, s.Explained)
			}
		}
		if len(v.signals) == 0 {
			t.Errorf("%s: nothing raised", c.name)
		}
	}
}
