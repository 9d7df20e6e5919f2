package alerts

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"
)

// An OrderEntry is one step in a work order's history. The table takes new rows only.
type OrderEntry struct {
	Order string          `json:"order"`
	At    time.Time       `json:"at"`
	Who   string          `json:"who"`
	From  OrderState      `json:"from"` // "" for the first
	To    OrderState      `json:"to"`
	Why   string          `json:"why"`
	Body  json.RawMessage `json:"body,omitempty"` // what was written with it: a day, a deferral, an outcome
}

func noteOrder(ctx context.Context, tx *sql.Tx, e OrderEntry) error {
	_, err := tx.ExecContext(ctx, `insert into order_audit (order_id, at, who, from_state, to_state, why, body) values (?, ?, ?, ?, ?, ?, ?)`,
		e.Order, stamp(e.At), e.Who, string(e.From), string(e.To), e.Why, string(e.Body))
	return err
}

// OrderHistory is the history of a work order, the oldest step first.
func (b *Book) OrderHistory(ctx context.Context, id string) ([]OrderEntry, error) {
	rs, err := b.db.QueryContext(ctx, `select order_id, at, who, from_state, to_state, why, body from order_audit where order_id = ? order by seq`, id)
	if err != nil {
		return nil, fmt.Errorf("history of order %s: %w", id, err)
	}
	defer rs.Close()
	list := []OrderEntry{}
	for rs.Next() {
		var e OrderEntry
		var at, body string
		if err := rs.Scan(&e.Order, &at, &e.Who, &e.From, &e.To, &e.Why, &body); err != nil {
			return nil, fmt.Errorf("history of order %s: %w", id, err)
		}
		t, err := date(at)
		if err != nil {
			return nil, fmt.Errorf("history of order %s: %w", id, err)
		}
		if t != nil {
			e.At = *t
		}
		if body != "" {
			e.Body = json.RawMessage(body)
		}
		list = append(list, e)
	}
	return list, rs.Err()
}
