package alerts

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A move is a decision of a person: which states it may be made in, and what it needs.
type move struct {
	to         State
	from       []State
	needReason bool
	needUntil  bool
}

var (
	acknowledge = move{to: Acknowledged, from: []State{Open, Acknowledged, Explained, Muted}}
	explain     = move{to: Explained, from: []State{Open, Acknowledged, Explained, Muted}, needReason: true}
	mute        = move{to: Muted, from: []State{Open, Acknowledged, Explained, Muted}, needReason: true, needUntil: true}
	reopen      = move{to: Open, from: []State{Acknowledged, Explained, Muted}}
	closing     = move{to: Closed, from: []State{Open, Acknowledged, Explained, Muted, Ordered, Verifying}, needReason: true}
)

// Acknowledge notes that somebody has seen the alert. until may be zero; else the alert is open again then.
func (b *Book) Acknowledge(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.decide(ctx, acknowledge, id, who, reason, until)
}

// Explain notes what else explains the alert; the reason becomes its explained_by. until may be zero.
func (b *Book) Explain(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.decide(ctx, explain, id, who, reason, until)
}

// Mute sets the alert aside until a date, which is needed: it is open again then by itself.
func (b *Book) Mute(ctx context.Context, id, who, reason string, until time.Time) error {
	return b.decide(ctx, mute, id, who, reason, until)
}

// Reopen takes a decision back: the alert waits for one again. The history keeps both.
func (b *Book) Reopen(ctx context.Context, id, who, reason string) error {
	return b.decide(ctx, reopen, id, who, reason, time.Time{})
}

// Close ends the alert for good, whatever its readings say; a reason is needed. A later episode of the same
// family is another alert.
func (b *Book) Close(ctx context.Context, id, who, reason string) error {
	return b.decide(ctx, closing, id, who, reason, time.Time{})
}

// decide makes a move and writes it to the history. The error wraps ErrNotFound, ErrAmbiguous, ErrInput or
// ErrTransition; nothing changed then.
func (b *Book) decide(ctx context.Context, m move, id, who, reason string, until time.Time) error {
	now := b.now()
	who, reason = strings.TrimSpace(who), strings.TrimSpace(reason)
	err := b.change(ctx, func(tx *sql.Tx) error {
		r, err := find(ctx, tx, id)
		if err != nil {
			return err
		}
		switch {
		case who == "":
			return fmt.Errorf("%s %s: %w: nobody is named", m.to, r.id, ErrInput)
		case m.needReason && reason == "":
			return fmt.Errorf("%s %s: %w: a reason is needed", m.to, r.id, ErrInput)
		case m.needUntil && until.IsZero():
			return fmt.Errorf("%s %s: %w: an end date is needed", m.to, r.id, ErrInput)
		case !until.IsZero() && !until.After(now):
			return fmt.Errorf("%s %s: %w: its end, %s, is not after now, %s", m.to, r.id, ErrInput, stamp(until), stamp(now))
		}
		before := r.state(now)
		if !slices.Contains(m.from, before) {
			return fmt.Errorf("alert %s is %s, it cannot become %s: %w", r.id, before, m.to, ErrTransition)
		}
		r.decision, r.until = m.to, instant(until)
		switch m.to {
		case Explained:
			r.explained = reason
		case Open:
			r.explained = ""
		}
		if err := r.save(ctx, tx); err != nil {
			return err
		}
		why := reason
		if !until.IsZero() {
			why = strings.TrimSpace(why + " (until " + stamp(until) + ")")
		}
		return b.note(ctx, tx, r.id, AuditEntry{At: now, Who: who, From: before, To: m.to, Why: why})
	})
	if err != nil {
		return fmt.Errorf("alert book: %w", err)
	}
	return nil
}
