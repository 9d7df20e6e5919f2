package dashboards

import (
	"math"
	"strings"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/series"
)

func TestFigure(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0", 0.1874: "0.187", 12.345: "12.3", 504: "504", 12345.6: "12346", -0.5: "−0.5", math.Inf(1): "–", 1e-7: "1e−07", 99.96: "100",
	} {
		if got := figure(v); got != want {
			t.Errorf("figure(%v) = %q, want %q", v, got, want)
		}
	}
	if got := figure(nan()); got != "–" {
		t.Errorf("figure(NaN) = %q", got)
	}
	if got := percent(-0.061); got != "−6 %" {
		t.Errorf("percent = %q", got)
	}
}

func TestAgo(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Hour: "just now", time.Minute: "just now", 40 * time.Minute: "40 minutes ago", 47 * time.Hour: "47 hours ago", 12 * 24 * time.Hour: "12 days ago",
	} {
		if got := ago(today.Add(-d), today); got != want {
			t.Errorf("ago(%v) = %q, want %q", d, got, want)
		}
	}
	if got := ago(time.Time{}, today); got != "never" {
		t.Errorf("no time: %q, want never", got)
	}
}

func TestWindow(t *testing.T) {
	for want, l := range map[string]*alerts.Limit{
		"not enough evidence for a date": nil,
		"beyond a year":                  {},
		"22 May at the earliest":         {P10: ptr(at(4))},
		"22 May to 27 May":               limit(4, 6, 9),
		"18 May":                         limit(0, 0, 0),
	} {
		if got := window(l, time.UTC); got != want {
			t.Errorf("window = %q, want %q", got, want)
		}
	}
	// The same instant is another day at the depot.
	late := time.Date(2026, 5, 22, 3, 0, 0, 0, time.UTC)
	var z zones
	if got := window(&alerts.Limit{P10: &late, P90: &late}, z.named("America/Chicago")); got != "21 May" {
		t.Errorf("in Chicago: %q, want 21 May", got)
	}
}

func TestWhySaysThreeThings(t *testing.T) {
	s := open(t, market(), marketBook(t))
	tr := s.yard.traces["217"][series.Key{Unit: "217", ECU: "7e8", Test: "m3b.tc0"}]
	got := s.why(tr, time.UTC)
	if len(got) != 3 {
		t.Fatalf("%d sentences, want 3: %q", len(got), got)
	}
	for i, want := range []string{"healthy level is 240 Pa, give or take 14 Pa", "since no later than 8 Apr 2026", "between 24 May 2026 and 21 Jun 2026"} {
		if !strings.Contains(got[i], want) {
			t.Errorf("sentence %d: %q, want it to say %q", i+1, got[i], want)
		}
	}
	// A score is the logarithm of the average run length: e^9.2 is 9,897.
	if !strings.Contains(got[1], "once in 9\u202f900 results") {
		t.Errorf("the odds of the alarm line are missing: %q", got[1])
	}
	silentOnes := s.why(s.yard.traces["217"][series.Key{Unit: "217", ECU: "7e8", Test: "m31.t95"}], time.UTC)
	if len(silentOnes) != 1 || !strings.HasPrefix(silentOnes[0], "Nothing was raised") {
		t.Errorf("a series without a signal: %q", silentOnes)
	}
}

func TestConditionNeverCallsNoDataHealthy(t *testing.T) {
	s := open(t, market(), marketBook(t))
	y := s.yard
	y.enrol("901", "Tannery Row", "") // reports, but nothing with a limit
	y.enrol("902", "Tannery Row", "") // not run since a clear
	y.states["902"] = []analyze.Now{{Key: series.Key{Unit: "902"}, State: series.StateNotRun, LastRead: today}}
	y.enrol("903", "Tannery Row", "") // reports, last fresh result long ago
	y.states["903"] = []analyze.Now{{State: series.StateOK, LastRead: today, LastFresh: at(-41)}}
	for unit, want := range map[string]string{
		"201": watched, "305": silent, "224": silent, "nobody": silent, "410": learning, "901": unprotected, "902": unprotected, "903": unprotected,
	} {
		if got := s.condition(unit, today); got.Kind != want {
			t.Errorf("unit %s is %s (%s), want %s", unit, got.Kind, got.Text, want)
		}
	}
}

func TestHeadline(t *testing.T) {
	for reason, want := range map[string]string{
		"A leak of 0.020 in grows. It is near. Book it.": "A leak of 0.020 in grows.",
		"No end":             "No end",
		"Is it? Yes.":        "Is it?",
		"":                   "",
		"One sentence only.": "One sentence only.",
	} {
		if got := headline(reason); got != want || strings.TrimSpace(want+" "+rest(reason)) != reason {
			t.Errorf("headline(%q) = %q and the rest %q", reason, got, rest(reason))
		}
	}
}
