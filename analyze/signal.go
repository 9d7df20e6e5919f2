package analyze

import (
	"fmt"
	"math"
	"time"

	"marginline/ingest/series"
)

// Kind says what a signal claims.
type Kind string

// The kinds of signal, as the alert book shows them.
const (
	Drift        Kind = "drift"        // the CUSUM toward the limit is over its threshold
	Jump         Kind = "jump"         // two fresh results in a row far from the baseline
	Imminent     Kind = "imminent"     // the limit is likely to be reached within two weeks
	Failed       Kind = "failed"       // a fresh result is beyond its limit: one trip is left
	Intermittent Kind = "intermittent" // the spread grows
	Surprise     Kind = "surprise"     // a confirmed code that no alert preceded
	NotRunning   Kind = "not_running"  // reports arrive, the test no longer runs
)

// A Signal is one claim about one series (or, for Surprise, one code) of one unit, with the evidence it
// was made on. It is a value: the same polls give the same signals, byte for byte.
type Signal struct {
	Key      series.Key // Test is the code for Surprise
	VIN      string
	Family   string // family of the monitor, as in the monitor table
	Kind     Kind
	RaisedAt time.Time // read_at of the reading that raised it
	EndedAt  time.Time // read_at of the reading that took the claim back; zero while it stands
	Ended    string    // why: "recovered", "epoch"; "" while it stands
	// Explained is what moved the whole cohort and explains the claim, in words; "" where nothing does. The unit
	// need not be looked at for it.
	Explained string
	Evidence  Evidence
}

// Evidence is what a signal rests on, at the moment it was raised, and the newest state of its series.
type Evidence struct {
	Settings      string  // version of the settings used
	Parameters    string  // version of the cohort parameters used; "shipped" where none were fitted
	Epoch         int     // ordinal of the epoch within the series, from 1
	Fresh         int     // fresh results in the epoch when raised
	Baseline      float64 // healthy level, in the unit of measure
	Spread        float64 // healthy spread (one standard deviation), in the unit of measure
	Toward        string  // "max" or "min": which limit the value moves to; "" when none
	Value         float64 // the raising value
	Limit         float64 // the limit it moves to
	UnitOfMeasure string
	Used          float64   // share of the healthy distance to the limit used up when raised, 0 to 1
	Score         float64   // CUSUM score when raised, in log average run length
	Threshold     float64   // the score that raises
	Since         time.Time // drift began no later than this; zero when not applicable
	OdometerKm    float64   // of the vehicle then, the last known; 0 where none was read
}

// A Crossing is the forecast of the day a series reaches its limit. A zero time is "beyond a year".
// The whole is nil where there is not enough evidence.
type Crossing struct{ P10, P50, P90 time.Time }

// Now is the newest state of one series.
type Now struct {
	Key           series.Key
	VIN           string
	Family        string
	LastRead      time.Time // newest reading of the test, fresh or not
	LastFresh     time.Time
	State         series.State
	Value         float64
	Min, Max      float64
	UnitOfMeasure string
	Margin        float64
	Passed        series.Tri
	CalID         string
	Epoch         int
	Fresh         int     // fresh results in this epoch
	Baseline      float64 // NaN while learning
	Spread        float64
	Toward        string  // "max", "min" or ""
	Used          float64 // smoothed share of the healthy distance used, NaN when unknown
	Score         float64
	Threshold     float64
	Since         time.Time // last zero of the score; zero when the score is zero
	PCross30d     float64   // probability that the level is beyond the limit in 30 days
	Crossing      *Crossing
	Learning      bool // fewer fresh results than a baseline needs
	Cohort        Leaning
}

// Leaning says what the detector takes over from other series, and how far it can rely on them.
type Leaning struct {
	Parameters string  // version; "shipped" where none were fitted
	Name       string  // the cohort in words; "" with shipped figures
	Series     int     // behind it
	Leans      bool    // too few to stand on its own: it leans on wider cohorts and on the shipped figures
	Common     float64 // common movement that is taken out, share of the distance to the limit, upward positive
}

// String is that in words.
func (l Leaning) String() string {
	if words := l.learnt(); math.Abs(l.Common) >= 0.01 {
		return fmt.Sprintf("%s What they did together is taken out: %+.0f %% of the distance.", words, 100*l.Common)
	} else {
		return words
	}
}

func (l Leaning) learnt() string {
	switch {
	case l.Series == 0:
		return "Shipped figures: too few series like it were read to learn from."
	case l.Leans:
		return fmt.Sprintf("Learnt from %d series (%s); below %d they lean on wider cohorts and on shipped figures.", l.Series, l.Name, EnoughSeries)
	}
	return fmt.Sprintf("Learnt from %d series (%s).", l.Series, l.Name)
}

// A Point is one fresh reading of a series as the detector took it.
type Point struct {
	At       time.Time
	ReportID string
	Epoch    int
	CalID    string
	Restart  string // what happened to the series before it, in words; "" nothing
	Value    float64
	Min, Max float64
	Margin   float64
	Baseline float64 // in the unit of measure; NaN while learning
	Spread   float64
	Z        float64
	Score    float64
	PCross30 float64
	Crossing *Crossing
}

// A Trace is the whole course of one series, for the page and the command line.
type Trace struct {
	Now     Now
	Points  []Point // fresh readings, in time order
	Repeats int     // readings that were no new evidence
	Signals []Signal
}
