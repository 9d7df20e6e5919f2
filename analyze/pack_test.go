package analyze

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"unsafe"

	"marginline/ingest/fleetsim"
)

// A packed state is the state: after any poll it comes back with its digest, and what is folded into it later ends
// where it would have ended. On an invented fleet, with live counters, moving limits and claims.
func TestPackedStateIsTheState(t *testing.T) {
	in := invent(t, fleetsim.Config{Units: 12, Days: 120, Seed: 9, End: epoch0.Add(120 * day), Scenario: "hard", Delivery: true, FaultRate: 3})
	set := DefaultSettings()
	p := newPacker()
	n, size := 0, 0
	for _, u := range in.roster.Units() {
		polls := in.polls[u.Unit]
		whole, broken := NewVehicle(u.Unit, u.VIN, decoder{}, &set), NewVehicle(u.Unit, u.VIN, decoder{}, &set)
		for k, poll := range polls {
			apply(t, whole, poll)
			apply(t, broken, poll)
			if k%17 == 5 || k == len(polls)-1 {
				b := p.pack(broken)
				n, size = n+len(broken.watch), size+len(b)
				fresh := NewVehicle(u.Unit, u.VIN, decoder{}, &set)
				p.unpack(b, fresh)
				fresh.signals = broken.signals
				if fresh.digest() != whole.digest() {
					t.Fatalf("unit %s after %d polls: another state", u.Unit, k+1)
				}
				if again := p.pack(fresh); string(again) != string(b) {
					t.Fatalf("unit %s: packed again it is %d bytes, was %d", u.Unit, len(again), len(b))
				}
				broken = fresh
			}
		}
		if !reflect.DeepEqual(whole.Series(), broken.Series()) && whole.digest() != broken.digest() {
			t.Errorf("unit %s: another view", u.Unit)
		}
	}
	t.Logf("%.0f bytes a series, as far as they are packed", float64(size)/float64(n))
}

// Whatever is in a field comes back: random contents of every field that is kept.
func TestEveryFieldIsPacked(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var fill func(v reflect.Value, tag string)
	fill = func(v reflect.Value, tag string) {
		v = reflect.NewAt(v.Type(), unsafe.Pointer(v.UnsafeAddr())).Elem() // unexported fields too
		switch v.Kind() {
		case reflect.Bool:
			v.SetBool(rng.IntN(2) == 0)
		case reflect.Int, reflect.Int8, reflect.Int32, reflect.Int64:
			v.SetInt(rng.Int64() >> rng.IntN(64))
		case reflect.Uint8, reflect.Uint32:
			v.SetUint(rng.Uint64() >> rng.IntN(64))
		case reflect.Float64, reflect.Float32:
			list := []float64{0, math.Copysign(0, -1), math.Inf(1), rng.NormFloat64(), brief(rng.NormFloat64()), 1, -1, math.NaN()}
			if tag == "rule" {
				list = list[2:7] // as a key, NaN is never found again
			}
			v.SetFloat(list[rng.IntN(len(list))])
		case reflect.String:
			v.SetString([]string{"", "a", "7e8", "m21.t89"}[rng.IntN(4)])
		case reflect.Array:
			for i := range v.Len() {
				fill(v.Index(i), tag)
			}
		case reflect.Slice:
			v.Set(reflect.MakeSlice(v.Type(), rng.IntN(4), 8))
			for i := range v.Len() {
				fill(v.Index(i), tag)
			}
		case reflect.Pointer:
			if rng.IntN(2) == 0 {
				v.Set(reflect.New(v.Type().Elem()))
				fill(v.Elem(), tag)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				next := tag
				if v.Type() == reflect.TypeFor[Rule]() {
					next = "rule"
				}
				if v.Type().Field(i).Tag.Get("rest") != "-" {
					fill(v.Field(i), next)
				}
			}
		default:
			t.Fatalf("a %s", v.Type())
		}
	}
	set := DefaultSettings()
	p := newPacker()
	for range 200 {
		v := NewVehicle("1", "", plain{}, &set)
		fill(reflect.ValueOf(v).Elem(), "")
		for i := range v.watch {
			v.watch[i].side[up].at, v.watch[i].side[down].at = 0, 0 // it takes nothing from a cohort
		}
		b := p.pack(v)
		w := NewVehicle("1", "", plain{}, &set)
		p.unpack(b, w)
		if again := p.pack(w); string(again) != string(b) {
			t.Fatal("what was unpacked packs into something else")
		}
	}
}

// Numbers that there is no more room for among the shared ones are written out.
func TestSharedNumbersAreBounded(t *testing.T) {
	p := newPacker()
	p.values = make([]any, mostShared)
	set := DefaultSettings()
	v, w := NewVehicle("1", "", plain{}, &set), NewVehicle("1", "", plain{}, &set)
	for i := range 20 {
		apply(t, v, poll(float64(i), upTo(0.4+float64(i%7)/50)))
	}
	p.unpack(p.pack(v), w)
	if w.digest() != v.digest() || len(p.values) > mostShared+20 {
		t.Errorf("another state, or %d values", len(p.values))
	}
}

// A large fleet, of which most units are at rest, says and does what a small one does.
func TestUnitsAtRest(t *testing.T) {
	polls := someUnits(1, 24)
	want := runnerOf(t, polls)
	r := newTestRunner(t, &store{polls: polls}, 3)
	r.units.small, r.units.most = 0, 1
	for i := 0; i < len(polls); i += 7 {
		if err := r.Take(t.Context(), polls[i:min(i+7, len(polls))]); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.Settle(t.Context()); err != nil {
		t.Fatal(err)
	}
	if n := len(r.units.awake); n != 1 {
		t.Errorf("%d units are awake, want 1", n)
	}
	if r.Digest() != want.Digest() {
		t.Error("another state than that of a fleet awake")
	}
	for _, unit := range want.Units() {
		if !reflect.DeepEqual(r.Signals(unit), want.Signals(unit)) || r.LastPoll(unit) != want.LastPoll(unit) || len(r.Series(unit)) != len(want.Series(unit)) {
			t.Errorf("unit %s: another answer", unit)
		}
	}
}
