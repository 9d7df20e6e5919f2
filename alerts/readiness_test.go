package alerts

import (
	"fmt"
	"strings"
	"testing"

	"marginline/analyze"
	"marginline/ingest/series"
)

func TestForesee(t *testing.T) {
	// Eight families that ran every 3 days until day 27; four have run since the clear on day 28.
	courses := map[series.Key]*analyze.Trace{}
	for i := range 8 {
		tr := &analyze.Trace{Now: analyze.Now{Family: fmt.Sprint("family", i), State: series.StateNotRun}}
		for d := 0.0; d <= 27; d += 3 {
			tr.Points = append(tr.Points, analyze.Point{At: on(d)})
		}
		if i < 4 {
			tr.Points = append(tr.Points, analyze.Point{At: on(28.5)})
			tr.Now.State = series.StateOK
		}
		courses[series.Key{Unit: "217", ECU: "7e8", Test: fmt.Sprint("m", i)}] = tr
	}
	u := van()
	u.InspectionDue = on(31)
	f := Foresee(u, Cleared{At: on(28), By: "Priya"}, courses, on(29))
	if f.Ready != 4 || f.Of != 8 || !f.Rejected || !strings.Contains(f.Words, "4 of 8") || !strings.Contains(f.Words, "Inspection in 2 days: likely to be rejected") {
		t.Errorf("%+v", f)
	}
	if f.ReadyBy == nil || !f.ReadyBy.Equal(on(34)) { // twice the median gap of 3 days
		t.Errorf("ready by %v", f.ReadyBy)
	}
	u.InspectionDue = on(40)
	if f = Foresee(u, Cleared{At: on(28)}, courses, on(29)); f.Rejected {
		t.Errorf("%+v", f)
	}
	// A heavy truck is taken after five warm-ups or 200 miles, whatever has run.
	u.WeightClass, u.InspectionDue = "heavy", on(30)
	if f = Foresee(u, Cleared{At: on(28), WarmUps: 4, DistanceKm: 300}, courses, on(29)); !f.Rejected {
		t.Errorf("%+v", f)
	}
	if f = Foresee(u, Cleared{At: on(28), WarmUps: 5}, courses, on(29)); f.Rejected || !strings.Contains(f.Words, "enough for most") {
		t.Errorf("%+v", f)
	}
	if Foresee(u, Cleared{}, courses, on(29)) != nil || Foresee(u, Cleared{At: on(28)}, courses, on(99)) != nil {
		t.Error("no clear, no forecast")
	}
	for k, tr := range courses {
		tr.Points = tr.Points[:1]
		courses[k] = tr
	}
	if f = Foresee(u, Cleared{At: on(28)}, courses, on(29)); !f.Rejected || f.ReadyBy != nil || !strings.Contains(f.Words, "Nobody can say") {
		t.Errorf("%+v", f)
	}
}
