package alerts

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/analyze"
)

// A WorkOrder gathers the alerts of one unit for one visit to the shop.
type WorkOrder struct {
	ID        string     `json:"id"`
	Unit      string     `json:"unit"`
	VIN       string     `json:"vin"`
	State     string     `json:"state"` // open while one of its alerts stands, then closed
	CreatedAt time.Time  `json:"created_at"`
	CreatedBy string     `json:"created_by"`
	DueBy     *time.Time `json:"due_by"` // earliest likely day of its standing alerts; nil when there is none
	AlertIDs  []string   `json:"alerts"`

	Alerts []Alert `json:"-"` // in the order of Rank
}

// The states of a work order.
const (
	OrderOpen   = "open"
	OrderClosed = "closed"
)

// onOrder says whether an alert waits on its order.
func onOrder(s State) bool { return s == Ordered || s == Verifying }

// Order puts an alert on a work order and returns that: the unit's open one when it has one, else a new
// one, which also takes the unit's other open and acknowledged alerts along (but not that a test does not
// run, which is no work for a shop unless asked for). An alert that is on an open order gives that order.
// The error wraps ErrNotFound, ErrAmbiguous, ErrInput or ErrTransition.
func (b *Book) Order(ctx context.Context, alertID, who string, at time.Time) (*WorkOrder, error) {
	who = strings.TrimSpace(who)
	var id string
	err := b.change(ctx, func(tx *sql.Tx) error {
		named, err := find(ctx, tx, alertID)
		if err != nil {
			return err
		}
		now := b.now()
		state := named.state(now)
		switch {
		case who == "":
			return fmt.Errorf("order for %s: %w: nobody is named", named.id, ErrInput)
		case !state.Standing():
			return fmt.Errorf("alert %s is %s, there is nothing to order: %w", named.id, state, ErrTransition)
		case onOrder(state):
			id = named.order
			return nil
		}
		unit, err := records(ctx, tx, `where unit = ?`, named.alert.Unit)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(unit, func(r *record) bool { return onOrder(r.state(now)) })
		fresh := i < 0
		if fresh {
			if id, err = newOrder(ctx, tx, named.alert, who, at); err != nil {
				return err
			}
		} else {
			id = unit[i].order
		}
		for _, r := range unit {
			s := r.state(now)
			along := fresh && (s == Open || s == Acknowledged) && r.alert.Kind != analyze.NotRunning
			if r.id != named.id && !along {
				continue
			}
			r.decision, r.until, r.order = Ordered, nil, id
			if err := r.save(ctx, tx); err != nil {
				return err
			}
			if err := b.note(ctx, tx, r.id, AuditEntry{At: at, Who: who, From: s, To: Ordered, Why: "work order " + id}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("alert book: %w", err)
	}
	return b.OrderByID(ctx, id)
}

// newOrder makes the unit's next order. Its id depends on the unit and the count of its orders only.
func newOrder(ctx context.Context, tx *sql.Tx, a Alert, who string, at time.Time) (string, error) {
	var n int
	if err := tx.QueryRowContext(ctx, `select coalesce(max(ordinal), 0) + 1 from work_orders where unit = ?`, a.Unit).Scan(&n); err != nil {
		return "", err
	}
	id := idOf("w", a.Unit, strconv.Itoa(n))
	_, err := tx.ExecContext(ctx, `insert into work_orders (id, unit, ordinal, vin, created_at, created_by) values (?, ?, ?, ?, ?, ?)`,
		id, a.Unit, n, a.VIN, stamp(at), who)
	return id, err
}

// Orders are all work orders: open ones first, the earliest due first. It is never nil.
func (b *Book) Orders(ctx context.Context) ([]WorkOrder, error) {
	list, err := b.orders(ctx, "")
	if err != nil {
		return nil, fmt.Errorf("work orders: %w", err)
	}
	slices.SortFunc(list, func(x, y WorkOrder) int {
		return cmp.Or(-cmp.Compare(x.State, y.State), // open after closed in the alphabet
			compareDates(x.DueBy, y.DueBy), x.CreatedAt.Compare(y.CreatedAt), cmp.Compare(x.ID, y.ID))
	})
	return list, nil
}

// OrderByID is one work order, by its id or the beginning of it. The error wraps ErrNotFound or ErrAmbiguous.
func (b *Book) OrderByID(ctx context.Context, name string) (*WorkOrder, error) {
	id := strings.ToUpper(strings.TrimSpace(name))
	list, err := b.orders(ctx, `where substr(upper(id), 1, ?) = ?`, len(id), id)
	switch {
	case err != nil:
		return nil, fmt.Errorf("work order %q: %w", name, err)
	case len(list) == 0 || id == "":
		return nil, fmt.Errorf("work order %q: %w; see 'orders list'", name, ErrNotFound)
	case len(list) > 1:
		return nil, fmt.Errorf("work order %q: %w (%d orders); give more of the id", name, ErrAmbiguous, len(list))
	}
	return &list[0], nil
}

func (b *Book) orders(ctx context.Context, where string, args ...any) ([]WorkOrder, error) {
	list, err := b.plainOrders(ctx, where, args...)
	if err != nil {
		return nil, err
	}
	rs, err := records(ctx, b.db, `where order_id <> ''`)
	if err != nil {
		return nil, err
	}
	now := b.now()
	for i := range list {
		o := &list[i]
		for _, r := range rs {
			if r.order == o.ID {
				o.add(r.shown(now))
			}
		}
		Rank(o.Alerts)
		for _, a := range o.Alerts {
			o.AlertIDs = append(o.AlertIDs, a.ID)
		}
	}
	return list, nil
}

func (o *WorkOrder) add(a Alert) {
	o.Alerts = append(o.Alerts, a)
	if !onOrder(a.State) {
		return
	}
	o.State = OrderOpen
	if p10 := a.earliest(); p10 != nil && (o.DueBy == nil || p10.Before(*o.DueBy)) {
		o.DueBy = p10
	}
}

// plainOrders reads the orders without their alerts.
func (b *Book) plainOrders(ctx context.Context, where string, args ...any) ([]WorkOrder, error) {
	rows, err := b.db.QueryContext(ctx, `select id, unit, vin, created_at, created_by from work_orders `+where, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	list := []WorkOrder{}
	for rows.Next() {
		o := WorkOrder{State: OrderClosed, AlertIDs: []string{}}
		var at string
		if err := rows.Scan(&o.ID, &o.Unit, &o.VIN, &at, &o.CreatedBy); err != nil {
			return nil, err
		}
		t, err := date(at)
		if err != nil || t == nil {
			return nil, fmt.Errorf("order %s: created_at %q: %w", o.ID, at, err)
		}
		o.CreatedAt = *t
		list = append(list, o)
	}
	return list, rows.Err()
}
