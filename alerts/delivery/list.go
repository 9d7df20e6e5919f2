package delivery

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// A Sent is one event for one receiver, with what became of it.
type Sent struct {
	Target  string    `json:"target"`
	ID      string    `json:"id"`
	Type    string    `json:"type"`
	Unit    string    `json:"unit"` // or the depots of a digest; "" for a test
	Added   time.Time `json:"added_at"`
	State   string    `json:"state" enum:"waiting,held,taken,failed,orphaned" doc:"held: until quiet hours end; failed: given up; orphaned: its receiver is no longer set"`
	Tries   int       `json:"tries"`
	TriedAt time.Time `json:"tried_at" doc:"of the last try; year 1 before the first"`
	NextAt  time.Time `json:"next_at" doc:"of the next try; year 1 when there is none"`
	Said    string    `json:"said" doc:"by the receiver"`
	Error   string    `json:"error" doc:"of the last try"`
}

// A Receiver is a target with the state of its deliveries.
type Receiver struct {
	Name    string `json:"name"`
	Way     string `json:"way" enum:"webhook,mail,nats,calendar,files"`
	Where   string `json:"where"`
	When    string `json:"when"`
	Waiting int    `json:"waiting" doc:"to be sent, those held by quiet hours too"`
	Taken   int    `json:"taken" doc:"in the last month"`
	Failed  int    `json:"failed" doc:"given up in the last month"`
	Last    []Sent `json:"last" doc:"the newest first"`
}

// List is the newest deliveries.
func (o *Outbox) List(ctx context.Context, most int) ([]Sent, error) {
	return o.list(ctx, `order by added_at desc, target, id limit ?`, most)
}

// Receivers are the targets in their order, each with so many of its newest deliveries.
func (o *Outbox) Receivers(ctx context.Context, most int) ([]Receiver, error) {
	out := []Receiver{}
	for _, t := range o.targets {
		r := Receiver{Name: t.Name, Way: t.Way, Where: t.Where, When: t.When}
		if err := o.db.QueryRowContext(ctx, `select count(*) filter (where next_at <> ''), count(*) filter (where taken_at <> ''), count(*) filter (where next_at = '' and taken_at = '')
			from outbox where target = ?`, t.Name).Scan(&r.Waiting, &r.Taken, &r.Failed); err != nil {
			return nil, fmt.Errorf("outbox: %w", err)
		}
		var err error
		if r.Last, err = o.list(ctx, `where target = ? order by added_at desc, id limit ?`, t.Name, most); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

func (o *Outbox) list(ctx context.Context, which string, args ...any) ([]Sent, error) {
	rows, err := o.db.QueryContext(ctx, `select target, id, event, added_at, tries, tried_at, next_at, taken_at, said, error from outbox `+which, args...)
	if err != nil {
		return nil, fmt.Errorf("outbox: %w", err)
	}
	defer rows.Close()
	list, now := []Sent{}, o.now()
	for rows.Next() {
		s := Sent{State: "waiting"}
		var text, added, tried, next, taken string
		if err := rows.Scan(&s.Target, &s.ID, &text, &added, &s.Tries, &tried, &next, &taken, &s.Said, &s.Error); err != nil {
			return nil, fmt.Errorf("outbox: %w", err)
		}
		var e Event
		if err := json.Unmarshal([]byte(text), &e); err != nil {
			return nil, fmt.Errorf("outbox: event %s: %w", s.ID, err)
		}
		s.Type, s.Unit = e.Type, e.Subject
		for text, to := range map[string]*time.Time{added: &s.Added, tried: &s.TriedAt, next: &s.NextAt} {
			if text != "" {
				if *to, err = time.Parse(time.RFC3339Nano, text); err != nil {
					return nil, fmt.Errorf("outbox: event %s: %w", s.ID, err)
				}
			}
		}
		switch {
		case taken != "":
			s.State = "taken"
		case next == "":
			s.State = "failed"
		case o.target(s.Target) == nil:
			s.State = "orphaned"
		case s.Tries == 0 && s.NextAt.After(now):
			s.State = "held"
		}
		list = append(list, s)
	}
	return list, rows.Err()
}
