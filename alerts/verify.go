package alerts

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"
)

// How long after a repair the same complaint is a comeback: 30 days, often counted so, or 1,000 miles, whichever lasts
// longer (common practice and an assumption, no source).
const (
	comebackSpan = 30 * 24 * time.Hour
	comebackKm   = 1000 * 1.609344
)

// Unproven are the orders of a unit that wait for their tests.
func (b *Book) Unproven(ctx context.Context, unit string) ([]WorkOrder, error) {
	list, err := b.orders(ctx, `where unit = ? and state = ?`, unit, string(OrderVerifying))
	if err != nil {
		return nil, fmt.Errorf("work orders of unit %s: %w", unit, err)
	}
	return list, nil
}

// Tests are the tests that raised the alerts of an order, one a test.
func (o *WorkOrder) Tests() []Evidence {
	var out []Evidence
	for _, a := range o.Alerts {
		out = append(out, a.Evidence...)
	}
	return out
}

// FamilyOf is the family of monitors behind a test of the order's alerts.
func (o *WorkOrder) FamilyOf(test string) string {
	for _, a := range o.Alerts {
		if slices.ContainsFunc(a.Evidence, func(v Evidence) bool { return v.Test == test }) {
			return a.Family
		}
	}
	if len(o.AskedAlong) == 1 {
		return o.AskedAlong[0]
	}
	return ""
}

// Judge keeps a verdict with the last outcome of an order and acts on it: recovered closes the order, not
// recovered opens it again for a second look. In between a person decides. The same verdict again changes
// nothing.
func (b *Book) Judge(ctx context.Context, id string, v Verdict) (*WorkOrder, error) {
	return b.stepping(ctx, id, func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error) {
		last := o.Last()
		if last == nil || o.State != OrderVerifying {
			return nil, nil
		}
		old := last.Verdict
		last.Verdict = &v
		switch v.State {
		case ProofRecovered:
			o.State = OrderClosed
		case ProofNotRecovered:
			o.State = OrderApproved
			o.Comebacks++
			o.unbook()
		default:
			if old != nil && old.State == v.State && old.Words == v.Words && old.Chase == v.Chase {
				return nil, o.save(ctx, tx)
			}
			return &OrderEntry{Who: detector, Why: v.Words}, nil
		}
		why := v.Words
		if v.State == ProofNotRecovered && last.Found == FoundNothing {
			why = "Not found, and still bad. " + why
		}
		return &OrderEntry{Who: detector, Why: why}, b.follow(ctx, tx, o, detector, now)
	})
}

// comebacks opens the orders of a unit again whose repair did not hold: an alert of one of their families
// that was raised after the visit and within the span. It runs inside a Sync, so that both happen or none.
func (b *Book) comebacks(ctx context.Context, tx *sql.Tx, unit string) error {
	orders, err := rows(ctx, tx, `where unit = ? and state in ('verifying', 'closed')`, unit)
	if err != nil || len(orders) == 0 {
		return err
	}
	rs, err := records(ctx, tx, `where unit = ?`, unit)
	if err != nil {
		return err
	}
	now := b.now()
	for _, r := range rs {
		s := r.state(now)
		if s != Open && s != Acknowledged && s != Verifying {
			continue
		}
		within := ""
		i := slices.IndexFunc(orders, func(o *WorkOrder) bool {
			if o.State != OrderApproved {
				within = o.cameBack(r)
			}
			return within != ""
		})
		if i < 0 {
			continue
		}
		o := orders[i]
		why := fmt.Sprintf("Came back: alert %s %s the visit. %s", r.id, within, r.alert.Reason)
		if err := b.put(ctx, tx, r, o.ID, Ordered, AuditEntry{At: latest(now, r.alert.RaisedAt), Who: detector, From: s, To: Ordered, Why: "comeback on work order " + o.ID}); err != nil {
			return err
		}
		if err := b.advance(ctx, tx, o, func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error) {
			o.State = OrderApproved
			o.Comebacks++
			o.unbook()
			return &OrderEntry{Who: detector, Why: why}, b.follow(ctx, tx, o, detector, now)
		}); err != nil {
			return err
		}
	}
	return nil
}

// cameBack says how soon after the last visit an alert of one of its families was raised, where that is a comeback; ""
// where it is none. An odometer that is not known, or that fell, says nothing.
func (o *WorkOrder) cameBack(r *record) (within string) {
	last := o.Last()
	if last == nil || !slices.Contains(o.AskedAlong, r.alert.Family) {
		return ""
	}
	at, km := r.alert.RaisedAt, (*float64)(nil)
	for _, v := range r.alert.Evidence {
		if v.EndedAt == nil && !v.ClaimedAt.Before(at) { // the newest claim, where it stands again
			at, km = v.ClaimedAt, v.OdometerKm
		}
	}
	from := cmp.Or(last.OdometerKm, last.ReadKm)
	switch {
	case !at.After(last.At):
	case at.Sub(last.At) <= comebackSpan:
		return fmt.Sprintf("within %d days of", int(comebackSpan.Hours()/24))
	case from != nil && km != nil && *from > 0 && *km >= *from && *km-*from <= comebackKm:
		return fmt.Sprintf("within %.0f km (%.0f miles) of", comebackKm, comebackKm/1.609344)
	}
	return ""
}

// settleOrders closes the orders of a unit whose alerts all ended before any visit: there is nothing left to
// look at. It is written to the history.
func (b *Book) settleOrders(ctx context.Context, tx *sql.Tx, unit string) error {
	orders, err := rows(ctx, tx, `where unit = ? and state in ('proposed', 'approved', 'scheduled', 'deferred', 'no_show')`, unit)
	if err != nil || len(orders) == 0 {
		return err
	}
	rs, err := records(ctx, tx, `where unit = ? and order_id <> ''`, unit)
	if err != nil {
		return err
	}
	now := b.now()
	for _, o := range orders {
		mine := func(r *record) bool { return r.order == o.ID }
		if !slices.ContainsFunc(rs, mine) || slices.ContainsFunc(rs, func(r *record) bool { return mine(r) && r.state(now).Standing() }) {
			continue
		}
		if err := b.advance(ctx, tx, o, func(*sql.Tx, *WorkOrder, time.Time) (*OrderEntry, error) {
			o.State = OrderClosed
			o.unbook()
			return &OrderEntry{Who: detector, Why: "no visit is needed: the results recovered, or later data took their support away"}, nil
		}); err != nil {
			return err
		}
	}
	return nil
}
