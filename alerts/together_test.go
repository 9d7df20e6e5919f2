package alerts

import (
	"strings"
	"testing"

	"marginline/analyze"
)

// Mixture, misfire and oxygen sensor that stand at one time are three rows that say that they may be one job; one that
// ended, or another cause, is none of them.
func TestMayBeOneJob(t *testing.T) {
	trim, miss, sensor := signal("fuel_system", "m81.t01", analyze.Drift, 10), signal("misfire", "ma2.t0c", analyze.Drift, 12), signal("o2_sensor", "m01.t05", analyze.Drift, 13)
	list := derive(trim, miss, sensor, cat(11))
	if len(list) != 4 {
		t.Fatalf("%d rows", len(list))
	}
	for _, a := range list {
		others := strings.Count(a.OneJob, ",") + 1
		if a.Family == "catalyst" && a.OneJob != "" || a.Family != "catalyst" && (others != 2 || !strings.Contains(a.OneJob, "intake leak or low fuel pressure")) {
			t.Errorf("%s: %q", a.Family, a.OneJob)
		}
	}
	for _, a := range derive(trim, ended(miss, 15, "recovered")) {
		if a.OneJob != "" {
			t.Errorf("%s: %q", a.Family, a.OneJob)
		}
	}
}
