package lake

import (
	"errors"
	"testing"
	"time"
)

func TestPinPast(t *testing.T) {
	l := open(t, t.TempDir())
	if _, err := l.PinPast(Past{At: time.Now()}); !errors.Is(err, ErrNotKept) {
		t.Errorf("an empty lake: %v", err)
	}
	clock := time.Now().Add(time.Hour).Truncate(time.Second).UTC() // the time of a table never runs backwards
	l.now = func() time.Time { return clock }
	type state struct {
		at       time.Time
		rows     map[string]int64
		snapshot map[string]int64
	}
	var states []state
	for k := range 3 {
		feed(l, batch(6*k, 6), uint64(6*k+1))
		commit(t, l, uint64(6*k+6))
		s := state{clock, map[string]int64{}, map[string]int64{}}
		for _, x := range l.Stats() {
			s.rows[x.Name], s.snapshot[x.Name] = x.Rows, x.SnapshotID
		}
		states = append(states, s)
		clock = clock.Add(time.Hour)
	}
	check := func(what string, past Past, want state) {
		t.Helper()
		p, err := l.PinPast(past)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			return
		}
		defer p.Release()
		for _, x := range p.Tables() {
			if x.Rows != want.rows[x.Name] || x.SnapshotID != want.snapshot[x.Name] {
				t.Errorf("%s: table %s has %d rows at snapshot %d: want %d at %d", what, x.Name, x.Rows, x.SnapshotID, want.rows[x.Name], want.snapshot[x.Name])
			}
		}
	}
	for _, s := range states {
		check("its time", Past{At: s.at}, s)
		check("a little later", Past{At: s.at.Add(59 * time.Minute)}, s)
		check("its commit point", Past{Snapshot: s.snapshot["reports"]}, s)
		check("its readings", Past{Snapshot: s.snapshot["readings"]}, s)
	}
	for what, past := range map[string]Past{"before the first": {At: states[0].at.Add(-time.Second)}, "a number of nobody": {Snapshot: 12345}} {
		if _, err := l.PinPast(past); !errors.Is(err, ErrNotKept) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if len(l.refs) != 0 {
		t.Errorf("%d states are still held", len(l.refs))
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := l.PinPast(Past{At: clock}); !errors.Is(err, ErrClosed) {
		t.Errorf("a closed lake: %v", err)
	}
}
