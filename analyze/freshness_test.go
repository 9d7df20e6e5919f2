package analyze

import (
	"errors"
	"slices"
	"testing"

	"marginline/ingest/series"
)

// now is the state of the only series of a vehicle.
func now(t *testing.T, v *Vehicle) Now {
	t.Helper()
	list := v.Series()
	if len(list) != 1 {
		t.Fatalf("%d series, want 1", len(list))
	}
	return list[0]
}

func TestStoredResultPolledTwentyTimesIsOne(t *testing.T) {
	v := newTestVehicle(t)
	for i := range 20 {
		apply(t, v, poll(float64(i)/10, upTo(0.4)))
	}
	apply(t, v, poll(3, upTo(0.41)))
	n := now(t, v)
	if n.Fresh != 2 || v.watch[0].repeats != 19 {
		t.Errorf("%d fresh and %d repeats, want 2 and 19", n.Fresh, v.watch[0].repeats)
	}
	if want := poll(3).ReadAt; n.LastFresh != want || n.LastRead != want {
		t.Errorf("last fresh %v, last read %v, want %v", n.LastFresh, n.LastRead, want)
	}
}

// done is a result whose group completed, or whose numerator stands at runs.
func done(r series.Result, d series.Tri, runs int32) series.Result {
	r.Done, r.Runs = d, runs
	return r
}

func TestSameValueAgain(t *testing.T) {
	none := series.None
	for _, c := range []struct {
		name  string
		polls []*series.Poll
		fresh int
	}{
		{"completion bit newly set", []*series.Poll{
			poll(0, done(upTo(0.4), series.True, none)), poll(1, done(upTo(0.4), series.False, none)), poll(2, done(upTo(0.4), series.True, none)),
			poll(2.1, done(upTo(0.4), series.True, none))}, 2},
		{"numerator risen", []*series.Poll{
			poll(0, done(upTo(0.4), series.Unknown, 7)), poll(1, done(upTo(0.4), series.Unknown, 7)), poll(2, done(upTo(0.4), series.Unknown, 8))}, 2},
		{"numerators halved near their end", []*series.Poll{
			poll(0, done(upTo(0.4), series.Unknown, 65000)), poll(1, done(upTo(0.4), series.Unknown, 32500))}, 1},
		{"numerator read the day after the result it counted", []*series.Poll{
			poll(0, done(upTo(0.4), series.Unknown, 7)), poll(1, upTo(0.42)), poll(2, done(upTo(0.42), series.Unknown, 8)),
			poll(3, done(upTo(0.42), series.Unknown, 9))}, 3},
		{"two runs, of which the first result was never read", []*series.Poll{
			poll(0, done(upTo(0.4), series.Unknown, 7)), poll(1, upTo(0.42)), poll(2, done(upTo(0.42), series.Unknown, 9))}, 2},
		{"completion read after the result it tells of", []*series.Poll{
			poll(0, done(upTo(0.4), series.True, none)), poll(1, upTo(0.42)), poll(1.01, done(upTo(0.42), series.True, none))}, 2},
		{"limit changed", []*series.Poll{poll(0, upTo(0.4)), poll(1, result(0x21, 0x80, 0.4, none64, 1.1))}, 1}, // first of a new epoch
		{"not run, then run", []*series.Poll{poll(0, upTo(0.4)), poll(1, notRun()), poll(2, upTo(0.4))}, 2},
		{"a clear that stores nothing else", []*series.Poll{poll(0, upTo(0.4)), poll(1, notRun()), poll(2, notRun())}, 1},
	} {
		v := newTestVehicle(t)
		apply(t, v, c.polls...)
		if got := now(t, v).Fresh; got != c.fresh {
			t.Errorf("%s: %d fresh, want %d", c.name, got, c.fresh)
		}
	}
}

var none64 = series.Absent()

func notRun() series.Result {
	r := upTo(0)
	r.Raw = series.Raw{}
	return judged(r)
}

// A group's bit does not say which of its monitors ran: with two monitors in the group it counts for none.
func TestSharedGroupBitIsNoEvidence(t *testing.T) {
	v := newTestVehicle(t)
	for i := range 10 {
		p := poll(float64(i), done(result(0x3A, 0x80, 0.4, none, 1), series.TriOf(i%2 == 1), int32(i)),
			done(result(0x3B, 0x80, 0.3, none, 1), series.TriOf(i%2 == 1), int32(i)))
		apply(t, v, p)
	}
	for _, n := range v.Series() {
		if n.Fresh != 1 {
			t.Errorf("%v: %d fresh, want 1", n.Key, n.Fresh)
		}
	}
}

// Completion bits start anew with every driving cycle: set in two cycles is two results.
func TestCompletionInEachTrip(t *testing.T) {
	v := newTestVehicle(t)
	for i := range 5 {
		for j, run := range []float64{60, 1200} {
			p := poll(float64(i)+float64(j)/100, done(upTo(0.4), series.True, series.None))
			p.Context.RunTimeS = run
			apply(t, v, p)
		}
	}
	if got := now(t, v).Fresh; got != 5 {
		t.Errorf("%d fresh in 5 trips, want 5", got)
	}
}

// SAE J1979, test id 0C (from memory): the counter of the current driving cycle; its last value counts.
func TestLiveCounterCountsOnceATrip(t *testing.T) {
	v := newTestVehicle(t)
	v.trace = &tracer{points: map[series.Key][]Point{}}
	for trip := range 4 {
		for j := range 3 {
			p := poll(float64(trip)+float64(j)/100, result(0xA2, 0x0C, float64(j+trip)/100, none, 0.2))
			p.Context.RunTimeS = float64(60 + 800*j)
			apply(t, v, p)
		}
	}
	n := now(t, v)
	if n.Fresh != 3 {
		t.Fatalf("%d fresh, want one for each of the 3 trips that ended", n.Fresh)
	}
	var values []float64
	for _, p := range v.trace.points[n.Key] {
		values = append(values, p.Value)
	}
	if want := []float64{0.02, 0.03, 0.04}; !slices.Equal(values, want) {
		t.Errorf("took %v, want the last of each trip %v", values, want)
	}
	if want := poll(2.02).ReadAt; n.LastFresh != want {
		t.Errorf("last fresh %v, want the reading's own time %v", n.LastFresh, want)
	}
}

func TestPollsThatAreNotFolded(t *testing.T) {
	v := newTestVehicle(t)
	apply(t, v, poll(1, upTo(0.4)))
	before := v.digest()
	bad := poll(2, upTo(0.9))
	bad.ClockOK = false
	apply(t, v, bad, poll(1, upTo(0.4)))
	if v.digest() != before {
		t.Error("a poll without a clock, or one given twice, changed the state")
	}
	if err := v.Apply(poll(0.5, upTo(0.9))); !errors.Is(err, ErrOrder) {
		t.Errorf("an older poll: %v, want ErrOrder", err)
	}
	if v.digest() != before {
		t.Error("an older poll changed the state")
	}
}

func TestStatesThatAreNoSamples(t *testing.T) {
	v := newTestVehicle(t)
	apply(t, v, poll(0, result(0x21, 0x80, 0.4, none, none)), poll(1, result(0x21, 0x80, 0.4, 0.4, 0.4)), poll(2, result(0x21, 0x80, 0.4, 0.6, 0.5)))
	if n := now(t, v); n.Fresh != 0 || n.State != series.StateInvalid {
		t.Errorf("%d fresh, state %v; want 0 and the newest state", n.Fresh, n.State)
	}
}

// An older bus sends a limit a message; a test that ran in between gives two values under one key.
func TestTwoLimitsInTwoRows(t *testing.T) {
	v := newTestVehicle(t)
	for i := range 5 {
		p := poll(float64(i), result(0x21, 0x80, 0.50, 0.2, none), result(0x21, 0x80, 0.51+float64(i)/100, none, 1))
		p.Bus = series.ISO9141
		apply(t, v, p)
	}
	n := now(t, v)
	if n.Epoch != 1 || n.Fresh != 5 || n.Min != 0.2 || n.Max != 1 || n.Value != 0.55 || n.Passed != series.True {
		t.Errorf("epoch %d, %d fresh, %g in [%g, %g], passed %v; want one epoch of 5 with both limits", n.Epoch, n.Fresh, n.Value, n.Min, n.Max, n.Passed)
	}
}
