package alerts

import (
	"context"
	"fmt"
	"slices"
	"time"

	"marginline/analyze"
)

// A Happening is what the readings did to an alert, as its history tells it.
type Happening string

// The happenings of an alert.
const (
	WasRaised    Happening = "raised"
	HasWorsened  Happening = "worsened" // a worse consequence or claim, in the same state
	WasReopened  Happening = "reopened" // it stands again, or a decision no longer holds
	HasEnded     Happening = "closed"
	WasWithdrawn Happening = "withdrawn"
)

// Happening is what a step of the history was; "" for what people decided.
func (e AuditEntry) Happening() Happening {
	switch {
	case e.Who != detector:
		return ""
	case e.From == "":
		return WasRaised
	case e.From == e.To:
		return HasWorsened
	case e.To == Closed:
		return HasEnded
	case e.To == Withdrawn:
		return WasWithdrawn
	case e.To == Explained:
		return "" // it asks for nothing
	case e.To.Standing():
		return WasReopened
	}
	return ""
}

// Since are the ids of the alerts whose history has a step at or after t, in order.
func (b *Book) Since(ctx context.Context, t time.Time) ([]string, error) {
	rows, err := b.db.QueryContext(ctx, `select distinct alert_id from alert_audit where at >= ? order by alert_id`, t.UTC().Format("2006-01-02T15:04:05"))
	if err != nil {
		return nil, fmt.Errorf("alert book: %w", err)
	}
	defer rows.Close()
	var ids []string
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, fmt.Errorf("alert book: %w", err)
		}
		ids = append(ids, id)
	}
	return ids, rows.Err()
}

// worse says in words what is worse about the newer form of an alert; "" where nothing is.
func worse(old, fresh *Alert) string {
	if slices.Index(worstFirst, fresh.Consequence) < slices.Index(worstFirst, old.Consequence) {
		return fmt.Sprintf("the consequence is %s now, it was %s", fresh.Consequence, old.Consequence)
	}
	pressing := fresh.Kind == analyze.Imminent || escalates(fresh.Kind)
	if pressing && rank(fresh.Kind) > rank(old.Kind) {
		return fmt.Sprintf("the claim is %s now, it was %s", fresh.Kind, old.Kind)
	}
	return ""
}

// evidenceAt is when what an alert rests on was last read or claimed; now where nothing says.
func evidenceAt(a *Alert, now time.Time) time.Time {
	var at time.Time
	for _, e := range a.Evidence {
		at = latest(at, e.ClaimedAt)
		if e.ReadAt != nil {
			at = latest(at, *e.ReadAt)
		}
	}
	if at.IsZero() {
		return now
	}
	return at
}
