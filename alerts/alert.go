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
}
