package main

import (
	"path/filepath"
	"testing"
)

// The view drift has one row for each fresh reading, as the trend of the series on the command line has, and
// nothing of a repeat.
func TestDriftView(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	reports, roster := simulated(t, 4, 60, 3)
	must(t, "import", "--data", data, "--roster", roster, reports)
	r := rows(t, data, `select s.unit, s.ecu, s.test, s.fresh, s.epoch, s.score, s.baseline, count(*) filter (d.epoch = s.epoch) as n, max_by(d.score, d.read_at) as last_score,
		max_by(d.baseline, d.read_at) as last_baseline, count(*) as whole, count(distinct d.report_id) as reports, min(d.settings) as settings
		from series s join drift d using (unit, ecu, test) group by all order by all`)
	if len(r) < 10 {
		t.Fatalf("%d series", len(r))
	}
	scored := 0
	for _, s := range r {
		if s["fresh"] != s["n"] || s["whole"] != s["reports"] || s["score"] != s["last_score"] || s["baseline"] != s["last_baseline"] || s["settings"] == nil {
			t.Errorf("%v", s)
		}
		if s["score"] != nil {
			scored++
		}
	}
	if scored == 0 {
		t.Error("nothing is scored: the comparison says nothing")
	}
	if n := one(t, data, "select count(*) from drift d left join readings r using (unit, ecu, test, report_id) where r.unit is null or r.read_at <> d.read_at or not r.clock_ok"); n != 0 {
		t.Errorf("%v rows of drift without their reading", n)
	}
	if drift, all := one(t, data, "select count(*) from drift"), one(t, data, "select count(*) from readings where state = 'ok'"); drift == 0 || drift >= all {
		t.Errorf("%v fresh of %v readings", drift, all)
	}
}
