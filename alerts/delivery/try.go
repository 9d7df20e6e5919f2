package delivery

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"
)

// flush tries what is due for a target. After a failure the rest waits for the next beat: a receiver that is
// away is not asked once for every event.
func (o *Outbox) flush(ctx context.Context, t *Target) error {
	for ctx.Err() == nil {
		var id, text, due string
		var tries int
		err := o.db.QueryRowContext(ctx, `select id, event, due_at, tries from outbox where target = ? and next_at <> '' and next_at <= ? order by added_at, id limit 1`,
			t.Name, stamp(o.now())).Scan(&id, &text, &due, &tries)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("outbox: %w", err)
		}
		var e Event
		if err := json.Unmarshal([]byte(text), &e); err != nil {
			return fmt.Errorf("outbox: event %s: %w", id, err)
		}
		if at, _ := t.due(e, o.now()); at.After(o.now()) { // hours that are quiet by now
			first := due
			if tries == 0 {
				first = stamp(at)
			}
			if _, err := o.db.ExecContext(ctx, `update outbox set next_at = ?, due_at = ? where target = ? and id = ?`, stamp(at), first, t.Name, id); err != nil {
				return fmt.Errorf("outbox: %w", err)
			}
			continue
		}
		took, err := o.attempt(ctx, t, e, due, tries, tries < len(after))
		if err != nil || !took {
			return err
		}
	}
	return nil
}

// attempt sends an event once and notes what came of it. again says that a failure may be tried again. The
// error is one of our own table; a receiver that did not take the event is none.
func (o *Outbox) attempt(ctx context.Context, t *Target, e Event, due string, tries int, again bool) (took bool, err error) {
	first, err := time.Parse(time.RFC3339Nano, due)
	if err != nil {
		return false, fmt.Errorf("outbox: event %s: %w", e.ID, err)
	}
	out, cancel := lingering(ctx)
	defer cancel()
	said, why := t.Channel.Send(out, e, first)
	now := o.now()
	next, taken, words, outcome := "", stamp(now), "", "taken"
	if why != nil {
		taken, words, outcome = "", why.Error(), "given_up"
		if again && !errors.Is(why, ErrRefused) {
			at, _ := t.due(e, now.Add(after[tries]))
			next, outcome = stamp(at), "failed"
		}
		if e.Type == Test { // nothing is lost with it
			outcome = "failed"
		}
		o.log.Warn("delivery", "to", t.Name, "event", e.ID, "try", tries+1, "again", next, "err", why)
	}
	o.done.WithLabelValues(t.Way, outcome).Inc()
	// What became of it is noted even while the service ends: else it would be sent twice.
	if _, err := o.db.ExecContext(context.WithoutCancel(ctx), `update outbox set tries = tries + 1, tried_at = ?, next_at = ?, taken_at = ?, said = ?, error = ? where target = ? and id = ?`,
		stamp(now), next, taken, said, words, t.Name, e.ID); err != nil {
		return false, fmt.Errorf("outbox: %w", err)
	}
	return why == nil, nil
}

// lingering is a context for one try: it ends some seconds after ctx does, so that an answer under way is heard.
func lingering(ctx context.Context) (context.Context, context.CancelFunc) {
	out, cancel := context.WithTimeout(context.WithoutCancel(ctx), sendTime)
	stop := context.AfterFunc(ctx, func() {
		t := time.NewTimer(lastTime)
		defer t.Stop()
		select {
		case <-t.C:
			cancel()
		case <-out.Done():
		}
	})
	return out, func() { stop(); cancel() }
}

// Try sends a test message to one target, once and now, and returns what came of it.
func (o *Outbox) Try(ctx context.Context, target, who string) (Sent, error) {
	t := o.target(target)
	if t == nil {
		return Sent{}, fmt.Errorf("outbox: %q: %w", target, ErrNoTarget)
	}
	now := o.now()
	e, err := NewTest(who, now)
	if err != nil {
		return Sent{}, err
	}
	text, err := json.Marshal(e)
	if err != nil {
		return Sent{}, fmt.Errorf("outbox: %w", err)
	}
	if _, err := o.db.ExecContext(ctx, `insert into outbox (target, id, event, added_at, due_at, next_at, error) values (?, ?, ?, ?, ?, '', 'the service ended before an answer came') on conflict do nothing`,
		t.Name, e.ID, string(text), stamp(now), stamp(now)); err != nil {
		return Sent{}, fmt.Errorf("outbox: %w", err)
	}
	if _, err := o.attempt(ctx, t, e, stamp(now), 0, false); err != nil {
		return Sent{}, err
	}
	list, err := o.list(ctx, `where target = ? and id = ?`, t.Name, e.ID)
	if err != nil {
		return Sent{}, err
	}
	if len(list) != 1 {
		return Sent{}, fmt.Errorf("outbox: the test message %s is gone", e.ID)
	}
	return list[0], nil
}
