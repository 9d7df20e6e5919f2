package analyze

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"marginline/ingest/fleet"
	"marginline/ingest/series"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
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

func runnerOf(t *testing.T, polls []*series.Poll) *Runner {
	t.Helper()
	r := newTestRunner(t, &store{polls: polls}, 3)
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return r
}

// The book as of a time is what a service would have known that had read nothing later.
func TestAsOf(t *testing.T) {
	polls := someUnits(1, 24)
	all := runnerOf(t, polls)
	before := all.Digest()
	for _, days := range []float64{0, 5, 13.5, 16, 30} {
		at := poll(days).ReadAt
		then := runnerOf(t, slices.DeleteFunc(slices.Clone(polls), func(p *series.Poll) bool { return p.ReadAt.After(at) }))
		signals, now, err := all.AsOf(t.Context(), at)
		if err != nil {
			t.Fatal(err)
		}
		var want []Now
		for _, unit := range then.Units() {
			want = append(want, then.Series(unit)...)
			if len(signals[unit]) != len(then.Signals(unit)) || len(signals[unit]) > 0 && !reflect.DeepEqual(signals[unit], then.Signals(unit)) {
				t.Errorf("day %g, unit %s: %q, want %q", days, unit, kindsOf(signals[unit]), kindsOf(then.Signals(unit)))
			}
		}
		if d := cmp.Diff(want, now, cmpopts.EquateNaNs()); d != "" {
			t.Errorf("day %g: %s", days, d)
		}
	}
	if all.Digest() != before {
		t.Error("looking back changed the runner's state")
	}
}

func TestTraceEndsInTheStateOfTheRunner(t *testing.T) {
	r := runnerOf(t, someUnits(1, 24))
	for _, n := range r.Series("1") {
		tr, err := r.Trace(t.Context(), n.Key, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(n, tr.Now, cmpopts.EquateNaNs()); d != "" {
			t.Errorf("%v: %s", n.Key, d)
		}
		last := tr.Points[len(tr.Points)-1]
		if len(tr.Points) != n.Fresh || last.Score != n.Score || !last.At.Equal(n.LastFresh) {
			t.Errorf("%v: %d points, the last of %v with score %g; state has %d, %v, %g", n.Key, len(tr.Points), last.At, last.Score, n.Fresh, n.LastFresh, n.Score)
		}
		if n.Family == "catalyst" && len(tr.Signals) == 0 {
			t.Errorf("%v: no signals on the trace", n.Key)
		}
	}
	if _, err := r.Trace(t.Context(), series.Key{Unit: "1", ECU: "7e8", Test: "m99.t99"}, time.Time{}); err == nil {
		t.Error("a trace of a series that was never read")
	}
	if _, err := r.Traces(t.Context(), "77"); err == nil {
		t.Error("traces of a unit that is not on the roster")
	}
}

func TestSettleTellsWhatChanged(t *testing.T) {
	polls := someUnits(1, 10)
	h := &store{}
	r := newTestRunner(t, h, 3)
	settle := func() []string {
		t.Helper()
		changed, err := r.Settle(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return changed
	}
	take := func(list ...*series.Poll) {
		t.Helper()
		h.add(list...)
		if err := r.Take(t.Context(), list); err != nil {
			t.Fatal(err)
		}
	}
	one, two := polls[0], polls[20] // of units 1 and 2
	take(polls[5], two)
	if got := settle(); !slices.Equal(got, []string{"1", "2"}) {
		t.Errorf("changed %v, want 1 and 2", got)
	}
	take(two)
	if got := settle(); len(got) > 0 && !slices.Equal(got, []string{"2"}) {
		t.Errorf("a repeated poll changed %v", got)
	}
	take(one) // late
	if got := settle(); !slices.Equal(got, []string{"1"}) {
		t.Errorf("a late poll changed %v, want 1", got)
	}
	take(one)
	if got := settle(); len(got) != 0 {
		t.Errorf("a late poll again changed %v", got)
	}
	stranger := *one
	stranger.VIN, stranger.Device, stranger.ReportID = "V9", "d9", "x"
	take(&stranger)
	if got := settle(); len(got) != 0 || len(r.Units()) != 2 {
		t.Errorf("a vehicle that is not on the roster changed %v; units %v", got, r.Units())
	}
}

// broken is a history that fails after some polls.
type broken struct{ *store }

func (b broken) Replay(ctx context.Context, q series.Replay) error {
	each, n := q.Each, 0
	q.Each = func(unit int, p *series.Poll) error {
		if n++; n > 1 {
			return errors.New("disk gone")
		}
		return each(unit, p)
	}
	return b.store.Replay(ctx, q)
}

func TestBrokenHistoryLosesNothing(t *testing.T) {
	polls := someUnits(1, 10)
	h := &store{}
	h.add(polls...)
	r := newTestRunner(t, broken{h}, 3)
	if err := r.Take(t.Context(), polls[10:]); err != nil {
		t.Fatal(err)
	}
	before := r.Digest()
	if err := r.Take(t.Context(), polls[:10]); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Settle(t.Context()); err == nil || r.Digest() != before {
		t.Fatalf("settled on a broken history: %v", err)
	}
	r.history = h
	if _, err := r.Settle(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r.Digest() != runnerOf(t, polls).Digest() {
		t.Error("the late polls were forgotten")
	}
}

func TestRosterDecides(t *testing.T) {
	polls := someUnits(1, 10)
	h := &store{polls: polls}
	roster := rosterOf(t, 3)
	r := NewRunner(h, func() *fleet.Roster { return roster }, plain{}, DefaultSettings(), slog.New(slog.DiscardHandler))
	if err := r.Rebuild(t.Context(), []string{"2"}); err != nil {
		t.Fatal(err)
	}
	if got := r.Units(); !slices.Equal(got, []string{"2"}) {
		t.Errorf("units %v after a rebuild of 2", got)
	}
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	roster = rosterOf(t, 1)
	if err := r.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if got := r.Units(); !slices.Equal(got, []string{"1"}) {
		t.Errorf("units %v after the roster lost two", got)
	}
}

// Readers, commits and settlings at once; run with -race.
func TestManyAtOnce(t *testing.T) {
	polls := someUnits(1, 16)
	h := &store{}
	r := newTestRunner(t, h, 3)
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for j := i; j < len(polls); j += 4 {
				h.add(polls[j])
				if err := r.Take(t.Context(), polls[j:j+1]); err != nil {
					t.Error(err)
				}
				if j%8 == i {
					if _, err := r.Settle(t.Context()); err != nil {
						t.Error(err)
					}
				}
				for _, u := range r.Units() {
					r.Series(u)
					r.Signals(u)
					r.LastPoll(u)
				}
			}
		})
	}
	wg.Wait()
	if _, err := r.Settle(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r.Digest() != runnerOf(t, polls).Digest() {
		t.Error("another state than from the history in order")
	}
}

// A fleet is folded at once, whatever the order of its history: the same state as unit by unit.
func TestFleetAtOnce(t *testing.T) {
	const units = 40
	var polls []*series.Poll
	rng := rand.New(rand.NewPCG(1, 9))
	for u := range units {
		for _, p := range wear(rng, 12, 8, 0.06, float64(u%10), 8) {
			p.VIN, p.Device = fmt.Sprintf("V%d", u+1), fmt.Sprintf("d%d", u+1)
			p.ReportID = p.VIN + p.ReportID
			polls = append(polls, p)
		}
	}
	want := newTestRunner(t, &store{polls: polls}, units)
	if err := want.Rebuild(t.Context(), nil); err != nil { // the cohorts are the whole fleet's
		t.Fatal(err)
	}
	for u := range units {
		if err := want.Rebuild(t.Context(), []string{fmt.Sprint(u + 1)}); err != nil {
			t.Fatal(err)
		}
	}
	inOrder := slices.Clone(polls)
	slices.SortStableFunc(inOrder, order)
	byDay := slices.Clone(inOrder)
	for day := range slices.Chunk(byDay, 8*units) {
		rng.Shuffle(len(day), func(a, b int) { day[a], day[b] = day[b], day[a] })
	}
	byDay = append(byDay, byDay[:100]...) // some come again at the end
	random := slices.Clone(inOrder)
	rng.Shuffle(len(random), func(a, b int) { random[a], random[b] = random[b], random[a] })
	for name, list := range map[string][]*series.Poll{"in order": inOrder, "shuffled by day": byDay, "at random": random, "unit by unit": polls} {
		r := newTestRunner(t, &store{polls: list}, units)
		if err := r.Rebuild(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		if r.Digest() != want.Digest() {
			t.Errorf("%s: another state", name)
		}
	}
	r := newTestRunner(t, broken{&store{polls: polls}}, units)
	if err := r.Rebuild(t.Context(), nil); err == nil || len(r.Units()) > 0 {
		t.Errorf("%v and units %v from a broken history", err, r.Units())
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r = newTestRunner(t, &store{polls: polls}, units)
	if err := r.Rebuild(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want the cancelled context's error", err)
	}
}
