package alerts

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Found is what a visit found.
type Found string

// What a visit can find. Whether "nothing" was right is known only when the tests have run again.
const (
	FoundCause   Found = "found"
	FoundNothing Found = "nothing"
	FoundOther   Found = "other"      // a different defect, none of the predicted
	NotTested    Found = "not_tested" // the checks could not be made
)

var founds = []Found{FoundCause, FoundNothing, FoundOther, NotTested}

// An Outcome is what the shop writes at the end of a visit: the three Cs and what else learning needs.
type Outcome struct {
	Key          string    `json:"key"` // given by who sends it: the same key again is the same outcome
	At           time.Time `json:"at"`  // when the work ended
	Who          string    `json:"who"`
	Found        Found     `json:"found"`
	Complaint    string    `json:"complaint"`
	Cause        string    `json:"cause"`
	Correction   string    `json:"correction"`
	Other        string    `json:"other"` // further findings
	Hours        *float64  `json:"hours"` // actual labour hours
	Parts        string    `json:"parts"`
	CodesCleared *bool     `json:"codes_cleared"`
	Reprogrammed *bool     `json:"reprogrammed"`
	OdometerKm   *float64  `json:"odometer_km"`

	ReadKm    *float64  `json:"odometer_read_km"` // as the vehicle told it close to that time, where nobody wrote it down
	EnteredAt time.Time `json:"entered_at"`       // by the book
	Verdict   *Verdict  `json:"verdict"`          // nil until something is known
}

const outcomeText = 4000 // characters of one text

// check says everything that an outcome lacks.
func (o *Outcome) check(now time.Time) error {
	o.Who, o.Cause, o.Correction = strings.TrimSpace(o.Who), strings.TrimSpace(o.Cause), strings.TrimSpace(o.Correction)
	var errs []error
	need := func(ok bool, what string) {
		if !ok {
			errs = append(errs, errors.New(what))
		}
	}
	need(o.Key != "" && len(o.Key) <= 100, "a key of at most 100 characters is needed, so that it can be sent twice")
	need(o.Who != "" && len(o.Who) <= 100, "the technician's name is needed")
	need(!o.At.IsZero() && !o.At.After(now.Add(24*time.Hour)), "when the work ended is needed, and not in the future")
	need(slices.Contains(founds, o.Found), fmt.Sprintf("found: want one of %v", founds))
	need(o.Found != FoundCause || o.Cause != "" && o.Correction != "", "cause and correction are needed where the cause was found")
	need(o.Found != FoundOther || o.Cause != "" || o.Other != "", "say what else was found")
	need(o.CodesCleared != nil, "say whether codes were cleared")
	need(o.Reprogrammed != nil, "say whether a control unit was reprogrammed or replaced")
	need(o.Hours == nil || *o.Hours >= 0 && *o.Hours < 1000 && !math.IsNaN(*o.Hours), "hours: a number of at least 0")
	need(o.OdometerKm == nil || *o.OdometerKm >= 0, "odometer: a number of at least 0")
	for _, s := range []string{o.Complaint, o.Cause, o.Correction, o.Other, o.Parts} {
		need(len(s) <= outcomeText, fmt.Sprintf("a text is longer than %d characters", outcomeText))
	}
	if len(errs) > 0 {
		return fmt.Errorf("outcome: %w: %w", ErrInput, errors.Join(errs...))
	}
	o.At, o.EnteredAt = o.At.UTC(), now.UTC()
	return nil
}

// yes says whether a question was answered with yes.
func yes(b *bool) bool { return b != nil && *b }
