package tools

import (
	"math"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The table of deploy/sizing.md follows from the figures and assumptions above it, and every benchmark that it names
// is there.
func TestSizing(t *testing.T) {
	b, err := os.ReadFile("../sizing.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	number := func(s string) float64 {
		x, err := strconv.ParseFloat(strings.ReplaceAll(strings.TrimSpace(s), ",", ""), 64)
		if err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		return x
	}
	given := map[string]float64{}
	for _, m := range regexp.MustCompile(`(?m)^\| ([a-z]+(?:_[a-z]+)+) \| ([0-9.]+) \|`).FindAllStringSubmatch(text, -1) {
		given[m[1]] = number(m[2])
	}
	g := func(name string) float64 {
		x, ok := given[name]
		if !ok {
			t.Fatalf("%s is not given", name)
		}
		return x
	}
	_, table, _ := strings.Cut(text, "\n## What follows\n")
	rows := map[string][]float64{}
	for _, line := range regexp.MustCompile(`(?m)^\| ([a-zA-Z ,]+) \| (.+) \|$`).FindAllStringSubmatch(table, -1) {
		for _, cell := range strings.Split(line[2], "|") {
			rows[line[1]] = append(rows[line[1]], number(cell))
		}
	}
	fleets := rows["vehicles"]
	if len(fleets) != 3 || fleets[0] != 1e3 || fleets[1] != 1e5 || fleets[2] != 1e7 || len(rows) != 11 {
		t.Fatalf("fleets %v, %d rows", fleets, len(rows))
	}
	for i, vehicles := range fleets {
		reports := vehicles * g("reports_per_vehicle_day")
		readings := reports * g("readings_per_report")
		days := 365 * g("history_years")
		peak := readings / 86400 * g("peak_over_mean")
		want := map[string]float64{
			"readings a day, million":    readings / 1e6,
			"readings a second, mean":    readings / 86400,
			"readings a second, peak":    peak,
			"processors at the peak":     peak * g("cpu_us_per_reading") / 1e6 / g("busy_share"),
			"log, GB":                    reports * g("log_days") * g("log_bytes_per_report") / 1e9,
			"lake, GB":                   readings * days * g("lake_bytes_per_reading") / 1e9,
			"series state in memory, GB": vehicles * g("series_per_vehicle") * g("bytes_per_series") / 1e9,
			"report ids in memory, GB":   reports * days * g("bytes_per_report_id") / 1e9,
			"a start, minutes":           readings * days * g("fold_us_per_reading") / 1e6 / g("start_processors") / 60,
		}
		want["cost a month"] = max(want["processors at the peak"], 1)*g("core_month") + (want["log, GB"]+want["lake, GB"])*g("gigabyte_month") +
			(want["series state in memory, GB"]+want["report ids in memory, GB"])*g("memory_gigabyte_month")
		for name, w := range want {
			if len(rows[name]) != 3 {
				t.Fatalf("%s: %v", name, rows[name])
			}
			if got := rows[name][i]; math.Abs(got-w) > 0.006*w { // three digits are shown
				t.Errorf("%.0f vehicles: %s: %v is written, %v follows", vehicles, name, got, w)
			}
		}
	}
	for _, m := range regexp.MustCompile("`(Benchmark[A-Za-z0-9]+)`").FindAllStringSubmatch(text, -1) {
		if out, err := exec.Command("git", "-C", "../..", "grep", "-q", "func "+m[1]+"(").CombinedOutput(); err != nil {
			t.Errorf("there is no %s: %s", m[1], out)
		}
	}
}
