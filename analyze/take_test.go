package analyze

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"marginline/ingest/series"
)

// The intake uses the memory of results again once Take has returned: nothing that is kept may rest on it.
func TestTakeKeepsNoResults(t *testing.T) {
	polls := someUnits(1, 24)
	slices.SortFunc(polls, func(a, b *series.Poll) int { return a.ReadAt.Compare(b.ReadAt) })
	want := runnerOf(t, polls)
	h := &store{}
	r := newTestRunner(t, h, 3)
	for part := range slices.Chunk(polls, 7) {
		h.add(part...)
		var lent []*series.Poll
		for _, p := range part {
			q := *p
			q.Results = slices.Clone(p.Results)
			lent = append(lent, &q)
		}
		if err := r.Take(t.Context(), lent); err != nil {
			t.Fatal(err)
		}
		for _, q := range lent {
			for i := range q.Results {
				q.Results[i] = series.Result{Test: "overwritten", ECU: "overwritten", CalID: "overwritten", Value: math.Inf(1)}
			}
			*q = series.Poll{}
		}
		if _, err := r.Settle(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for _, unit := range want.Units() {
		if got := r.Signals(unit); !reflect.DeepEqual(got, want.Signals(unit)) {
			t.Errorf("unit %s: signals %+v, want %+v", unit, got, want.Signals(unit))
		}
	}
	if r.Digest() != want.Digest() {
		t.Error("another state where the memory of results was used again")
	}
}
