package dashboards

import (
	"context"
	"time"

	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// Series is what the detector knows. Its methods may be called from many goroutines at once.
type Series interface {
	Units() []string                      // every unit with at least one folded report, sorted
	Series(unit string) []analyze.Now     // newest state of each series of a unit
	Signals(unit string) []analyze.Signal // in the order raised
	LastPoll(unit string) time.Time       // read_at of the newest report; zero when none came
	// Traces refolds a unit and returns the course of all its series.
	Traces(ctx context.Context, unit string) (map[series.Key]*analyze.Trace, error)
}

// Roster is the list of units.
type Roster interface {
	Units() []*fleet.Unit
	Unit(name string) *fleet.Unit // nil when it is not on the roster
}

// Names puts tests into plain words.
type Names interface {
	// Test is what a test measures, such as "leak of 0.020 in"; "" where it is not known.
	Test(test string) string
}

// Code is one trouble code of a unit, with when it was first and last read.
type Code struct {
	ECU, Kind, Code string
	First, Last     time.Time
}

// Codes answers which trouble codes were read from a unit, newest first.
type Codes interface {
	Codes(ctx context.Context, unit string) ([]Code, error)
}

// Facts answers what happened to a unit besides its readings: services, repairs, codes cleared, control units
// reprogrammed, dongles moved, reports of people. The newest come first.
type Facts interface {
	Facts(ctx context.Context, unit string) ([]shop.Fact, error)
}

// Use is what the newest reports told of a unit's use; NaN where it was never read.
type Use struct {
	At                time.Time // of the newest report; zero when there is none
	OdometerKm        float64
	EngineHours       float64
	WarmupsSinceClear float64 // warm-up cycles since codes were cleared
	KmSinceClear      float64
	Clears            []time.Time // first reports after these counters began anew: codes were cleared before
	Swaps             []Swap      // first reports of another dongle
}

// A Swap is a unit's first report by another dongle than before.
type Swap struct {
	At       time.Time
	From, To string
}

// Uses answers how a unit is used.
type Uses interface {
	Use(ctx context.Context, unit string) (Use, error)
}

// Health says how the service itself is doing.
type Health interface {
	// Ready is nil once reports are taken in and pages tell the truth; else it says what is missing.
	Ready(ctx context.Context) error
	// Quarantined counts the messages that could not be read and wait for a look.
	Quarantined(ctx context.Context) (int, error)
}
