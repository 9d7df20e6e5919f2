package schedule

import (
	"errors"
	"reflect"
	"strings"
	"testing"
)

// A choice is tried without being taken: where it fits, what it pushes aside, and what has no room any more.
func TestTry(t *testing.T) {
	in := Input{Today: today, Days: 14, Depots: yard(t), Jobs: []Job{job("a", RoadCall, ptr(today+2)), job("b", Cost, ptr(today+2)), job("c", Cost, nil)}}
	in.Jobs[0].Hours, in.Jobs[1].Hours = 6, 6
	kept := Input{Today: in.Today, Days: in.Days, Depots: in.Depots, Jobs: append([]Job(nil), in.Jobs...)}
	tr, err := Try(in, Fixed{ID: "c", Day: today, Who: "Odalys", Why: "driver is off"})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(in, kept) {
		t.Error("trying changed its input")
	}
	if tr.Visit == nil || tr.Visit.Day != today || tr.Clash != nil || tr.Was == nil || tr.Unit != "uc" || !strings.Contains(tr.Visit.Reason, "Odalys chose this day: driver is off") {
		t.Errorf("%+v", tr)
	}
	if tr.Load == nil || tr.Load.Booked < 1.5 {
		t.Errorf("the load of that day: %+v", tr.Load)
	}
	// The same as making the plan with it.
	in.Fixed = []Fixed{{ID: "c", Day: today, Who: "Odalys", Why: "driver is off"}}
	p := make1(t, in)
	if got := visitOf(t, p, "c"); !reflect.DeepEqual(got, *tr.Visit) {
		t.Errorf("tried %+v, made %+v", tr.Visit, got)
	}
	in.Fixed = nil
	for _, m := range tr.Moves {
		if m.Unit == "uc" {
			t.Error("the unit itself is among those that move")
		}
	}

	// A day on which the depot is closed: no room, said in words.
	tr, err = Try(in, Fixed{ID: "c", Day: day("2026-05-28"), Who: "Odalys"})
	if err != nil || tr.Visit != nil || tr.Clash == nil || !strings.Contains(tr.Clash.Reason, "closed") {
		t.Errorf("%v %+v", err, tr)
	}
	// A day that is full of work by persons: who would have to move is named.
	in.Fixed = []Fixed{{ID: "a", Day: today + 1, Who: "Priya"}, {ID: "b", Day: today + 1, Who: "Priya"}}
	in.Jobs[2].Hours, in.Jobs[2].Rank = 6, RoadCall
	in.Jobs[1].Rank = Note
	tr, err = Try(in, Fixed{ID: "c", Day: today + 1, Who: "Odalys"})
	if err != nil || tr.Clash == nil || len(tr.Clash.Bumps) == 0 || !tr.Clash.Bumps[0].Person {
		t.Errorf("%v %+v", err, tr.Clash)
	}
	if _, err := Try(in, Fixed{ID: "z", Day: today}); !errors.Is(err, ErrInput) {
		t.Errorf("an id that nobody has: %v", err)
	}
}
