package alerts

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"marginline/analyze"
)

// Changes are the ids of the alerts that a Sync changed, by what happened to them.
type Changes struct {
	Raised    []string // new in the book, standing or already ended
	Closed    []string // its results recovered
	Withdrawn []string // later data took its support away
	Reopened  []string // it stands again, or a decision no longer holds
	Worsened  []string // the same state, a worse consequence or claim
	Updated   []string // new figures, nothing worse
}

// Any says whether anything changed.
func (c *Changes) Any() bool {
	return len(c.Raised)+len(c.Closed)+len(c.Withdrawn)+len(c.Reopened)+len(c.Worsened)+len(c.Updated) > 0
}

// Sync makes the book agree with what Derive gives for a unit, in one transaction. Alerts of the unit that
// are no longer derived are withdrawn, unless a person closed them. The same again changes nothing.
//
// Decisions stay, with one exception that is written to the history: an alert that was explained or muted
// and then goes beyond its limit is open again.
func (b *Book) Sync(ctx context.Context, unit string, derived []Alert) (Changes, error) {
	var ch Changes
	err := b.change(ctx, func(tx *sql.Tx) error {
		stored, err := records(ctx, tx, `where unit = ?`, unit)
		if err != nil {
			return err
		}
		known := make(map[string]*record, len(stored))
		for _, r := range stored {
			known[r.id] = r
		}
		s := syncing{book: b, tx: tx, now: b.now(), changes: &ch}
		for _, a := range derived {
			if a.Unit != unit {
				return fmt.Errorf("alert %s is of unit %q", a.ID, a.Unit)
			}
			fresh, err := recordOf(a)
			if err != nil {
				return err
			}
			if err := s.take(ctx, known[a.ID], fresh); err != nil {
				return err
			}
			delete(known, a.ID)
		}
		for _, r := range stored {
			if known[r.id] != nil && r.supported {
				if err := s.withdraw(ctx, r); err != nil {
					return err
				}
			}
		}
		if err := b.settleOrders(ctx, tx, unit); err != nil {
			return err
		}
		return b.comebacks(ctx, tx, unit)
	})
	if err != nil {
		return Changes{}, fmt.Errorf("alert book: unit %s: %w", unit, err)
	}
	b.raised.Add(float64(len(ch.Raised)))
	if ch.Any() {
		b.log.Debug("alerts", "unit", unit, "raised", len(ch.Raised), "closed", len(ch.Closed), "withdrawn", len(ch.Withdrawn), "reopened", len(ch.Reopened), "worsened", len(ch.Worsened), "updated", len(ch.Updated))
	}
	return ch, nil
}

type syncing struct {
	book    *Book
	tx      *sql.Tx
	now     time.Time
	changes *Changes
}

// take writes a derived alert over what is stored of it; old is nil when it is new.
func (s *syncing) take(ctx context.Context, old, fresh *record) error {
	if old == nil {
		return s.raise(ctx, fresh)
	}
	if old.supported && old.facts == fresh.facts {
		return nil
	}
	before := old.state(s.now)
	escalated := escalates(fresh.alert.Kind) && !escalates(old.alert.Kind) && (old.decision == Explained || old.decision == Muted)
	next := *old
	next.facts, next.alert, next.supported = fresh.facts, fresh.alert, true
	if escalated && fresh.alert.EndedAt == nil {
		next.decision, next.until = "", nil
	}
	if err := next.save(ctx, s.tx); err != nil {
		return err
	}
	after := next.state(s.now)
	e := AuditEntry{At: s.now, Who: detector, From: before, To: after}
	switch {
	case before == after && after.Standing() && worse(&old.alert, &fresh.alert) != "":
		s.changes.Worsened = append(s.changes.Worsened, old.id)
		e.At, e.Why = evidenceAt(&fresh.alert, s.now), worse(&old.alert, &fresh.alert)
	case before == after:
		s.changes.Updated = append(s.changes.Updated, old.id)
		return nil
	case after == Closed:
		s.changes.Closed = append(s.changes.Closed, old.id)
		e.At, e.Why = *next.alert.EndedAt, endedWhy(&next.alert)
	case escalated:
		s.changes.Reopened = append(s.changes.Reopened, old.id)
		e.Why = "now beyond its limit or reported by a driver: no longer set aside"
	case after == Explained:
		s.changes.Updated = append(s.changes.Updated, old.id)
		e.Why = "explained by " + *next.alert.ExplainedBy
	case before == Explained && old.alert.ExplainedBy != nil:
		s.changes.Reopened = append(s.changes.Reopened, old.id)
		e.Why = "later results do not bear the explanation out: " + *old.alert.ExplainedBy
	default:
		s.changes.Reopened = append(s.changes.Reopened, old.id)
		e.Why = "the readings support it again"
	}
	return s.book.note(ctx, s.tx, old.id, e)
}

func (s *syncing) raise(ctx context.Context, r *record) error {
	if err := r.save(ctx, s.tx); err != nil {
		return err
	}
	s.changes.Raised = append(s.changes.Raised, r.id)
	if err := s.book.note(ctx, s.tx, r.id, AuditEntry{At: r.alert.RaisedAt, Who: detector, To: Open, Why: r.alert.Reason}); err != nil {
		return err
	}
	if x := r.alert.ExplainedBy; x != nil && r.alert.EndedAt == nil {
		return s.book.note(ctx, s.tx, r.id, AuditEntry{At: s.now, Who: detector, From: Open, To: Explained, Why: "explained by " + *x})
	}
	if end := r.alert.EndedAt; end != nil {
		return s.book.note(ctx, s.tx, r.id, AuditEntry{At: *end, Who: detector, From: Open, To: Closed, Why: endedWhy(&r.alert)})
	}
	return nil
}

func (s *syncing) withdraw(ctx context.Context, r *record) error {
	before := r.state(s.now)
	r.supported = false
	if err := r.save(ctx, s.tx); err != nil {
		return err
	}
	after := r.state(s.now)
	if before == after {
		s.changes.Updated = append(s.changes.Updated, r.id)
		return nil
	}
	s.changes.Withdrawn = append(s.changes.Withdrawn, r.id)
	return s.book.note(ctx, s.tx, r.id, AuditEntry{At: s.now, Who: detector, From: before, To: after, Why: "later data took its support away"})
}

// escalates says whether a claim ends that somebody set the alert aside.
func escalates(k analyze.Kind) bool { return k == analyze.Failed || k == Reported }

func endedWhy(a *Alert) string {
	if a.Kind == Reported {
		return "the unit was worked on"
	}
	return "the results recovered"
}
