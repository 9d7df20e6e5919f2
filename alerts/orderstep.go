package alerts

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"marginline/alerts/shop"
	"marginline/analyze"
)

// A StepNote is who takes a step, and what belongs to it.
type StepNote struct {
	Who, Why string
	Slot     *Slot     // for StepSchedule
	Until    time.Time // for StepDefer
}

// Step takes an order one step on and writes it to the history. The error wraps ErrNotFound, ErrAmbiguous,
// ErrInput or ErrTransition; nothing changed then.
func (b *Book) Step(ctx context.Context, id string, st Step, n StepNote) (*WorkOrder, error) {
	n.Who, n.Why = strings.TrimSpace(n.Who), strings.TrimSpace(n.Why)
	if st == StepFinish {
		return nil, fmt.Errorf("order %s: %w: the outcome of the visit is needed", id, ErrInput)
	}
	return b.stepping(ctx, id, func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error) {
		to, err := o.State.step(st, n.Who, n.Why)
		if err != nil {
			return nil, err
		}
		e := &OrderEntry{Who: n.Who, Why: n.Why}
		var body any
		o.WaitingFor = ""
		switch st {
		case StepSchedule:
			switch {
			case n.Slot == nil:
				return nil, fmt.Errorf("schedule: %w: a day is needed", ErrInput)
			case n.Slot.Day < shop.DayOf(now, time.UTC)-1:
				return nil, fmt.Errorf("schedule: %w: %s lies in the past", ErrInput, n.Slot.Day)
			case o.Slot != nil && o.Slot.Day != n.Slot.Day && n.Why == "":
				return nil, fmt.Errorf("schedule: %w: say why it moves from %s", ErrInput, o.Slot.Day)
			}
			s := *n.Slot
			s.Who, s.Why, s.At = n.Who, n.Why, now.UTC()
			o.Slot, o.Deferred, body = &s, nil, s
			o.Sequence++
		case StepDefer:
			if !n.Until.After(now) {
				return nil, fmt.Errorf("defer: %w: the end must lie ahead", ErrInput)
			}
			o.Deferred = &Deferral{n.Until.UTC(), n.Who, n.Why}
			o.unbook()
			body = o.Deferred
		case StepWait:
			o.WaitingFor = n.Why
		case StepCancel, StepReopen, StepRelease:
			o.Deferred = nil
			o.unbook()
		case StepApprove, StepArrive:
			o.Deferred = nil
		}
		o.State = to
		if body != nil {
			if e.Body, err = json.Marshal(body); err != nil {
				return nil, err
			}
		}
		return e, b.follow(ctx, tx, o, n.Who, now)
	})
}

// unbook gives the day back; calendars learn that it is off.
func (o *WorkOrder) unbook() {
	if o.Slot != nil {
		o.Off, o.Slot = o.Slot, nil
		o.Sequence++
	}
}

// stepping changes one order in a transaction. do gives the entry for the history, without order, time and
// states; nil changes nothing.
func (b *Book) stepping(ctx context.Context, id string, do func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error)) (*WorkOrder, error) {
	known, err := b.OrderByID(ctx, id)
	if err != nil {
		return nil, err
	}
	err = b.change(ctx, func(tx *sql.Tx) error {
		list, err := rows(ctx, tx, `where id = ?`, known.ID)
		if err != nil {
			return err
		}
		if len(list) != 1 {
			return fmt.Errorf("work order %s: %w", known.ID, ErrNotFound)
		}
		return b.advance(ctx, tx, list[0], do)
	})
	if err != nil {
		return nil, fmt.Errorf("work order %s: %w", known.ID, err)
	}
	return b.OrderByID(ctx, known.ID)
}

func (b *Book) advance(ctx context.Context, tx *sql.Tx, o *WorkOrder, do func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error)) error {
	now := b.now()
	o.expire(now)
	from := o.State
	e, err := do(tx, o, now)
	if err != nil || e == nil {
		return err
	}
	if e.From == "" {
		e.From = from
	}
	o.ClosedAt = nil
	if o.State == OrderClosed || o.State == OrderCancelled {
		o.ClosedAt = instant(now.UTC())
	}
	e.Order, e.At, e.To = o.ID, now, o.State
	return errors.Join(o.save(ctx, tx), noteOrder(ctx, tx, *e))
}

// follow lets the alerts of an order follow its state.
func (b *Book) follow(ctx context.Context, tx *sql.Tx, o *WorkOrder, who string, now time.Time) error {
	rs, err := records(ctx, tx, `where order_id = ?`, o.ID)
	if err != nil {
		return err
	}
	to := Ordered
	switch {
	case o.State == OrderDone || o.State == OrderVerifying || o.State == OrderClosed && o.proven():
		to = Verifying
	case !o.Open():
		to = ""
	}
	for _, r := range rs {
		s := r.state(now)
		if !s.Standing() || r.decision == to || s == Explained || s == Muted {
			continue
		}
		r.decision, r.until = to, nil
		if err := r.save(ctx, tx); err != nil {
			return err
		}
		if err := b.note(ctx, tx, r.id, AuditEntry{At: now, Who: who, From: s, To: r.state(now), Why: fmt.Sprintf("work order %s is %s", o.ID, o.State)}); err != nil {
			return err
		}
	}
	return nil
}

// Finish writes the outcome of a visit: the order is done, and waits for its tests to run again. An outcome
// whose key is known changes nothing, so that a phone may send it until it is answered. On an order that is
// done already the outcome of its last visit is amended; the history keeps both.
func (b *Book) Finish(ctx context.Context, id string, out Outcome) (*WorkOrder, error) {
	if err := out.check(b.now()); err != nil {
		return nil, err
	}
	return b.stepping(ctx, id, func(tx *sql.Tx, o *WorkOrder, now time.Time) (*OrderEntry, error) {
		if slices.ContainsFunc(o.Outcomes, func(x Outcome) bool { return x.Key == out.Key }) {
			return nil, nil
		}
		body, err := json.Marshal(out)
		if err != nil {
			return nil, err
		}
		if last := o.Last(); last != nil && !o.Open() && o.State != OrderCancelled {
			*last = out
			return &OrderEntry{Who: out.Who, Why: "outcome amended", Body: body}, nil
		}
		to, err := o.State.step(StepFinish, out.Who, "")
		if err != nil {
			return nil, err
		}
		rs, err := records(ctx, tx, `where order_id = ?`, o.ID)
		if err != nil {
			return nil, err
		}
		from := o.State
		o.State, o.WaitingFor, o.Deferred = to, "", nil
		o.Outcomes = append(o.Outcomes, out)
		o.keep(rs, out.At)
		if err := noteOrder(ctx, tx, OrderEntry{Order: o.ID, At: now, Who: out.Who, From: from, To: OrderDone, Body: body}); err != nil {
			return nil, err
		}
		o.State = OrderVerifying
		return &OrderEntry{Who: out.Who, From: OrderDone, Why: "until the tests have run again"}, b.follow(ctx, tx, o, out.Who, now)
	})
}

// proven says whether the tests showed that the last visit worked.
func (o *WorkOrder) proven() bool {
	last := o.Last()
	return last != nil && last.Verdict != nil && last.Verdict.State == ProofRecovered
}

// keep remembers what learning needs when the alerts are gone: the families, and whether a code came first.
func (o *WorkOrder) keep(rs []*record, at time.Time) {
	for _, r := range rs {
		o.AskedAlong = once(o.AskedAlong, r.alert.Family)
		for _, v := range r.alert.Evidence {
			if v.Kind == analyze.Surprise && !v.RaisedAt.After(at) && (o.FirstCode == nil || v.RaisedAt.Before(*o.FirstCode)) {
				t := v.RaisedAt
				o.FirstCode = &t
			}
		}
	}
	slices.Sort(o.AskedAlong)
}

// Facts are the visits of a unit as facts of the shop floor: work done, codes cleared, reprogrammed.
func (b *Book) Facts(ctx context.Context, unit string) ([]shop.Fact, error) {
	list, err := rows(ctx, b.db, `where unit = ?`, unit)
	if err != nil {
		return nil, fmt.Errorf("work orders of unit %s: %w", unit, err)
	}
	var out []shop.Fact
	for _, o := range list {
		for i := range o.Outcomes {
			x := &o.Outcomes[i]
			if x.Found == NotTested {
				continue
			}
			f := shop.Fact{Kind: shop.Repair, Unit: unit, At: x.At, By: x.Who, Text: "work order " + o.ID + ", " + x.words(), OdometerKm: x.OdometerKm}
			out = append(out, f)
			if yes(x.CodesCleared) {
				out = append(out, shop.Fact{Kind: shop.Clear, Unit: unit, At: x.At, By: x.Who, Text: "on work order " + o.ID})
			}
			if yes(x.Reprogrammed) {
				out = append(out, shop.Fact{Kind: shop.Reflash, Unit: unit, At: x.At, By: x.Who, Text: "on work order " + o.ID})
			}
		}
	}
	return out, nil
}

func (o *Outcome) words() string {
	switch {
	case o.Found == FoundCause || o.Found == FoundOther && o.Cause != "":
		return strings.TrimRight(o.Cause, ". ") + "; " + strings.TrimRight(o.Correction, ". ")
	case o.Found == FoundOther:
		return strings.TrimRight(o.Other, ". ")
	case o.Found == FoundNothing:
		return "nothing found"
	}
	return "could not be tested"
}
