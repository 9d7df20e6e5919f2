package dashboards

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"marginline/analyze"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file in testdata; -update writes it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; run with -update and look at the change\n got %s\nwant %s", name, got, want)
	}
}

func wellFormed(t *testing.T, svg string) {
	t.Helper()
	dec := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := dec.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
	}
}

// A handful of results on a response time with at most 96 ms: the limit in the middle of the way and the
// numbers small enough to check by hand against the drawing.
func handful() []dot {
	var ds []dot
	for i, v := range []float64{48, 50, 49, 60, 72, 100} {
		ds = append(ds, dot{At: today.AddDate(0, 0, i-6), Epoch: 1 + i/3, Value: v, Min: nan(), Max: 96, Margin: 1 - v/96, Left: 1 - v/96,
			Baseline: 49, Spread: 1, Score: float64(i) * 2, Failed: v > 96})
	}
	return ds
}

func TestChartGolden(t *testing.T) {
	c := chart{W: 340, H: 260, Label: `a "label" & <more>`, Unit: "ms", Toward: "max", Now: today, Zone: time.UTC, Since: today.AddDate(0, 0, -3),
		Crossing: &analyze.Crossing{P10: at(2), P50: at(4), P90: at(9)}, Threshold: 8, Score: true}
	got := string(c.draw(handful()))
	wellFormed(t, got)
	golden(t, "chart.svg", strings.ReplaceAll(got, "><", ">\n<")+"\n")
}

func TestSparkGolden(t *testing.T) {
	got := string(spark{From: today.AddDate(0, 0, -10), To: today, W: 120, H: 40, Label: "margin", Since: at(-4)}.draw(handful()))
	wellFormed(t, got)
	golden(t, "spark.svg", strings.ReplaceAll(got, "><", ">\n<")+"\n")
}

// Whatever the numbers, the drawing is well-formed and holds no number that is not one.
func TestChartOfOddNumbers(t *testing.T) {
	inf := math.Inf(1)
	for name, ds := range map[string][]dot{
		"nothing":  nil,
		"one":      {{At: today, Epoch: 1, Value: 3, Min: nan(), Max: nan(), Margin: nan(), Left: nan(), Baseline: nan(), Spread: nan(), Score: nan()}},
		"flat":     {{At: at(-1), Value: 0, Min: 0, Max: 0, Left: 0}, {At: today, Value: 0, Min: 0, Max: 0, Left: 0}},
		"infinite": {{At: at(-1), Value: inf, Min: nan(), Max: inf, Left: -inf, Score: inf}, {At: today, Value: 1, Min: nan(), Max: 2, Left: 0.5}},
		"same day": {{At: today, Value: 1, Min: nan(), Max: 2, Left: 0.5}, {At: today, Value: 1.5, Min: nan(), Max: 2, Left: 0.25}},
		"limit that comes and goes": {{At: at(-3), Value: 1, Min: nan(), Max: 2}, {At: at(-2), Value: 1, Min: nan(), Max: nan()},
			{At: at(-1), Value: 1, Min: 0.5, Max: 3}},
	} {
		for _, out := range []string{
			string(chart{W: 900, H: 430, Now: today, Zone: time.UTC, Score: true, Threshold: nan()}.draw(ds)),
			string(chart{W: 340, H: 250, Now: today, Zone: time.UTC, Crossing: &analyze.Crossing{P10: at(3)}}.draw(ds)),
			string(spark{From: at(-10), To: today, W: 100, H: 30}.draw(ds)),
		} {
			wellFormed(t, out)
			if bytes.Contains([]byte(out), []byte("NaN")) || strings.Contains(out, "Inf") {
				t.Errorf("%s: the drawing holds a number that is none: %s", name, out)
			}
		}
	}
}

func TestLeft(t *testing.T) {
	// A signed quantity with one limit has no margin: value 6 between a healthy 2 and a limit of 10 has half
	// of the way left.
	if got := left(analyze.Point{Value: 6, Min: nan(), Max: 10, Margin: nan(), Baseline: 2}, "max", false); got != 0.5 {
		t.Errorf("half way to the maximum: got %v, want 0.5", got)
	}
	if got := left(analyze.Point{Value: -6, Min: -10, Max: nan(), Margin: nan(), Baseline: -2}, "min", false); got != 0.5 {
		t.Errorf("half way to the minimum: got %v, want 0.5", got)
	}
	if got := left(analyze.Point{Value: 6, Max: 10, Margin: 0.3, Baseline: 2}, "max", false); got != 0.3 {
		t.Errorf("a margin goes first: got %v, want 0.3", got)
	}
	between := analyze.Point{Value: 4, Min: 0, Max: 20, Margin: 0.4, Baseline: 3}
	for toward, want := range map[string]float64{"max": 1.6, "min": 0.4} { // on its way to the farther limit: not 0.4 left of it
		if got := left(between, toward, true); got != want {
			t.Errorf("claimed toward %s: %g left, want %g", toward, got, want)
		}
	}
	if got := left(between, "max", false); got != 0.4 {
		t.Errorf("no claim: %g left", got)
	}
	if got := left(analyze.Point{Value: 6, Min: nan(), Max: 10, Margin: nan(), Baseline: nan()}, "max", false); !math.IsNaN(got) {
		t.Errorf("while learning: got %v, want NaN", got)
	}
}

// The way from near one limit to the other is seen from its beginning, not from the middle on.
func TestSparkShowsTheWholeWay(t *testing.T) {
	from := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	var ds []dot
	for i, left := range []float64{1.8, 1.4, 1.1, 0.6} {
		ds = append(ds, dot{At: from.AddDate(0, 0, i), Value: left, Left: left, Margin: 0.2})
	}
	svg := string(spark{From: from, To: from.AddDate(0, 0, 3), W: 100, H: 50}.draw(ds))
	_, way, _ := strings.Cut(svg, `class="trend" d="M`)
	way, _, _ = strings.Cut(way, `"`)
	before := -1.0
	for _, point := range strings.Split(way, "L") {
		_, y, _ := strings.Cut(point, " ")
		at, err := strconv.ParseFloat(y, 64)
		if err != nil || at <= before {
			t.Fatalf("the trend does not go down all the way: %s", way)
		}
		before = at
	}
	if before < 0 {
		t.Fatalf("no trend in %s", svg)
	}
}

func TestThinKeepsWhatMatters(t *testing.T) {
	var ds []dot
	for i := range 20000 {
		ds = append(ds, dot{At: today.Add(time.Duration(i) * time.Minute), Left: 0.5 + 0.1*math.Sin(float64(i))})
	}
	ds[7777].Left, ds[12345].Failed = -0.2, true
	got := thin(ds, ds[0].At, ds[len(ds)-1].At, 100)
	if len(got) > 320 {
		t.Errorf("%d dots are left of 20000, want at most about 300", len(got))
	}
	if !slices.ContainsFunc(got, func(d dot) bool { return d.Left == -0.2 }) {
		t.Error("the lowest dot is gone")
	}
	if !slices.ContainsFunc(got, func(d dot) bool { return d.Failed }) {
		t.Error("the failed dot is gone")
	}
	if !got[len(got)-1].At.Equal(ds[len(ds)-1].At) {
		t.Error("the newest dot is gone")
	}
	if !slices.IsSortedFunc(got, func(a, b dot) int { return a.At.Compare(b.At) }) {
		t.Error("the dots are out of order")
	}
}

func TestSteps(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		n      int
		want   []float64
	}{
		{0, 10, 5, []float64{0, 2, 4, 6, 8, 10}},
		{-0.3, 1, 4, []float64{0, 0.5, 1}},
		{620, 624, 4, []float64{620, 621, 622, 623, 624}},
		{5, 5, 3, nil},
		{nan(), 1, 3, nil},
	} {
		if got := steps(c.lo, c.hi, c.n); !slices.Equal(got, c.want) {
			t.Errorf("steps(%v, %v, %d) = %v, want %v", c.lo, c.hi, c.n, got, c.want)
		}
	}
}

// Days begin at the depot's midnight, also where the clocks change (8 March 2026 in Chicago).
func TestDaysFollowTheDepot(t *testing.T) {
	var z zones
	chicago := z.named("America/Chicago")
	from := time.Date(2026, 3, 6, 12, 0, 0, 0, time.UTC)
	for _, k := range days(from, from.AddDate(0, 0, 5), chicago, 6) {
		if l := k.at.In(chicago); l.Hour() != 0 || l.Minute() != 0 {
			t.Errorf("tick %s is at %v there", k.label, l)
		}
	}
	if got := len(days(from, from.AddDate(2, 0, 0), chicago, 6)); got < 4 || got > 8 {
		t.Errorf("%d ticks over two years, want about 6", got)
	}
}
