package alerts

import (
	"time"

	"marginline/analyze"
)

// Consequence is what follows if nothing is done, worst first. It is a property of the unit and the
// suspected cause and owes nothing to how sure we are.
type Consequence string

// The consequence classes.
const (
	Stop       Consequence = "stop"       // fire, injury or immediate damage
	RoadCall   Consequence = "road_call"  // derate, no-start, limp
	Compliance Consequence = "compliance" // fails an inspection
	Cost       Consequence = "cost"       // fuel, secondary damage, comfort
	Note       Consequence = "note"       // information
)

// State is where an alert stands.
type State string

// The states of an alert.
const (
	Open         State = "open"
	Acknowledged State = "acknowledged"
	Explained    State = "explained"
	Muted        State = "muted"
	Ordered      State = "ordered"
	Verifying    State = "verifying"
	Closed       State = "closed"
	Withdrawn    State = "withdrawn" // late data took its support away
)

// Standing says whether the alert still is one: neither closed nor withdrawn. The list of open alerts holds
// these; an explained or muted one stays on it with its state.
func (s State) Standing() bool { return s != Closed && s != Withdrawn }

// Limit is when the limit is likely to be reached; a nil part is beyond a year.
type Limit struct {
	P10 *time.Time `json:"p10"`
	P50 *time.Time `json:"p50"`
	P90 *time.Time `json:"p90"`
}

// An Alert is one row of the book: one unit, one suspected cause. All times are the readings' own.
type Alert struct {
	ID          string       `json:"id"` // stable: a replay of the same readings gives the same id
	Unit        string       `json:"unit"`
	VIN         string       `json:"vin"`
	ECU         string       `json:"ecu"`
	Tests       []string     `json:"tests"` // the first is the test that raised it
	Family      string       `json:"family"`
	Kind        analyze.Kind `json:"kind"`
	Consequence Consequence  `json:"consequence"`
	State       State        `json:"state"`
	RaisedAt    time.Time    `json:"raised_at"`
	DriftSince  *time.Time   `json:"drift_since"`
	Margin      *float64     `json:"margin"`   // of the newest reading of Tests[0]
	LimitAt     *Limit       `json:"limit_at"` // nil where there is not enough evidence
	Reason      string       `json:"reason"`   // plain words
	ExplainedBy *string      `json:"explained_by"`
	OrderID     *string      `json:"order_id"`
	RecentWork  []RecentWork `json:"recent_work,omitempty"` // from two weeks before it was raised, newest first

	OneJob string `json:"one_job,omitempty"` // which other alerts of the unit one cause may explain with it

	EndedAt  *time.Time `json:"-"` // when the last signal was taken back; nil while one stands
	Evidence []Evidence `json:"-"` // what it rests on, one a test, in the order of Tests
}

// Evidence is one test (or code) behind an alert, with its newest reading. Nil parts are not known.
type Evidence struct {
	Test          string       `json:"test"`
	ECU           string       `json:"ecu"`
	Name          string       `json:"name"` // the test in words
	Kind          analyze.Kind `json:"kind"` // the worst claim that stands, or the worst there was
	RaisedAt      time.Time    `json:"raised_at"`
	ClaimedAt     time.Time    `json:"claimed_at"`  // when that claim was made
	OdometerKm    *float64     `json:"odometer_km"` // of the vehicle then
	EndedAt       *time.Time   `json:"ended_at"`
	Ended         string       `json:"ended"` // why: recovered or epoch; "" while a claim stands
	Since         *time.Time   `json:"since"` // the drift began no later than this
	ReadAt        *time.Time   `json:"read_at"`
	Value         *float64     `json:"value"`
	Limit         *float64     `json:"limit"`
	Baseline      *float64     `json:"baseline"` // healthy level
	UnitOfMeasure string       `json:"unit_of_measure"`
	Toward        string       `json:"toward"` // max or min: which limit it moves to; "" when none
	Used          *float64     `json:"used"`   // share of the healthy distance to the limit used up
	Margin        *float64     `json:"margin"`
	Settings      string       `json:"settings"` // version of the detector's settings
}

// claim is the evidence that makes the claim of the alert, where another test may have raised it.
func (a *Alert) claim() Evidence {
	for _, v := range a.Evidence {
		if v.Kind == a.Kind {
			return v
		}
	}
	return a.Evidence[0]
}
