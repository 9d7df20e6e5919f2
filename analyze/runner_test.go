package analyze

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"marginline/ingest/series"

	"pgregory.net/rapid"
)

// someUnits is a small fleet's polls: one unit wears out, one is healthy, one is read by VIN alone.
func someUnits(seed uint64, days int) []*series.Poll {
	rng := rand.New(rand.NewPCG(seed, 3))
	var all []*series.Poll
	for unit, onset := range []float64{8, 1e9, 12} {
		for i, p := range wear(rng, days, 2, 0.06, onset, 12) {
			p.VIN, p.Device = "V"+string(rune('1'+unit)), "d"+string(rune('1'+unit))
			if unit == 2 {
				p.Device = ""
			}
			p.ReportID = p.VIN + p.ReportID
			p.Context.RunTimeS = float64(600 * (i%3 + 1))
			p.Results = append(p.Results, result(0xA2, 0x0C, float64(i%5)/100, none, 0.2))
			all = append(all, p)
		}
	}
	return all
}

func TestAnyOrderAnyDuplicates(t *testing.T) {
	polls := someUnits(1, 24)
	want := newTestRunner(t, &store{polls: polls}, 3)
	if err := want.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if len(want.Signals("1")) == 0 || len(want.Signals("2")) != 0 {
		t.Fatalf("signals of the worn unit %q, of the healthy one %q", kindsOf(want.Signals("1")), kindsOf(want.Signals("2")))
	}
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.Uint64().Draw(rt, "seed")
		twice := rapid.IntRange(0, 40).Draw(rt, "duplicates")
		reach := rapid.IntRange(1, len(polls)).Draw(rt, "how far a poll may be late")
		size := rapid.IntRange(1, 30).Draw(rt, "polls a commit")
		pause := rapid.IntRange(1, 10).Draw(rt, "commits between settlings")

		rng := rand.New(rand.NewPCG(seed, 4))
		sent := slices.Clone(polls)
		for range twice {
			sent = append(sent, polls[rng.IntN(len(polls))])
		}
		for i := 0; i < len(sent); i += reach {
			part := sent[i:min(i+reach, len(sent))]
			rng.Shuffle(len(part), func(a, b int) { part[a], part[b] = part[b], part[a] })
		}
		h := &store{}
		r := newTestRunner(t, h, 3)
		n := 0
		for part := range slices.Chunk(sent, size) {
			h.add(part...)
			if err := r.Take(t.Context(), part); err != nil {
				rt.Fatal(err)
			}
			if n++; n%pause == 0 {
				if _, err := r.Settle(t.Context()); err != nil {
					rt.Fatal(err)
				}
			}
		}
		if _, err := r.Settle(t.Context()); err != nil {
			rt.Fatal(err)
		}
		for _, unit := range want.Units() {
			if got := r.Signals(unit); !reflect.DeepEqual(got, want.Signals(unit)) {
				rt.Fatalf("unit %s: signals %+v, want %+v", unit, got, want.Signals(unit))
			}
		}
		if r.Digest() != want.Digest() {
			rt.Fatal("another state than from the history in order")
		}
	})
}
