package alerts

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/alerts/shop"
	"marginline/analyze"
)

// A WorkOrder gathers the alerts of one unit for one visit to the shop.
type WorkOrder struct {
	ID        string     `json:"id"`
	Unit      string     `json:"unit"`
	VIN       string     `json:"vin"`
	State     OrderState `json:"state"`
	CreatedAt time.Time  `json:"created_at"`
	CreatedBy string     `json:"created_by"`
	DueBy     *time.Time `json:"due_by"` // earliest likely day of its standing alerts; nil when there is none
	AlertIDs  []string   `json:"alerts"`
	Visit
	Alerts []Alert `json:"-"` // in the order of Rank
}

// A Visit is what people decided and wrote about a work order.
type Visit struct {
	Slot       *Slot      `json:"slot"`     // the day a person chose
	Off        *Slot      `json:"off"`      // the day that was given back last, for calendars
	Deferred   *Deferral  `json:"deferred"` // nil when it was not put off
	WaitingFor string     `json:"waiting_for"`
	Outcomes   []Outcome  `json:"outcomes"`  // one a visit, the newest last
	Comebacks  int        `json:"comebacks"` // how often a repair did not hold
	Sequence   int        `json:"sequence"`  // rises with every change of the day, for calendars
	AskedAlong []string   `json:"along"`     // families, kept when their alerts are gone
	ClosedAt   *time.Time `json:"closed_at"`
	FirstCode  *time.Time `json:"first_code"` // a code was stored at or before the first visit
}

// A Slot is a day in the shop.
type Slot struct {
	Day        shop.Day  `json:"day"`
	Bay        string    `json:"bay"`        // "" leaves the choice
	Technician string    `json:"technician"` // "" leaves the choice
	Service    bool      `json:"service"`    // together with the PM service
	Hours      float64   `json:"hours"`
	Who        string    `json:"who"`
	Why        string    `json:"why"`
	At         time.Time `json:"at"` // when it was chosen
}

// A Deferral puts an order off; it ends by itself.
type Deferral struct {
	Until time.Time `json:"until"`
	Who   string    `json:"who"`
	Why   string    `json:"why"`
}

// Open says whether the order still asks for a visit.
func (o *WorkOrder) Open() bool { return o.State.Live() }

// Last is the newest outcome; nil when there is none.
func (o *WorkOrder) Last() *Outcome {
	if len(o.Outcomes) == 0 {
		return nil
	}
	return &o.Outcomes[len(o.Outcomes)-1]
}

// onOrder says whether an alert waits on its order.
func onOrder(s State) bool { return s == Ordered || s == Verifying }

// Order puts an alert on a work order and returns that: the unit's open one when it has one, else a new
// one, which also takes the unit's other open and acknowledged alerts along (but not that a test does not
// run, which is no work for a shop unless asked for). An alert that is on an open order gives that order.
// A person made it, so it is approved. The error wraps ErrNotFound, ErrAmbiguous, ErrInput or ErrTransition.
func (b *Book) Order(ctx context.Context, alertID, who string, at time.Time) (*WorkOrder, error) {
	return b.order(ctx, alertID, who, at, true)
}

// Propose is Order, but the new order waits for an approval.
func (b *Book) Propose(ctx context.Context, alertID, who string, at time.Time) (*WorkOrder, error) {
	return b.order(ctx, alertID, who, at, false)
}

func (b *Book) order(ctx context.Context, alertID, who string, at time.Time, approved bool) (*WorkOrder, error) {
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
		orders, err := rows(ctx, tx, `where unit = ?`, named.alert.Unit)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(orders, func(o *WorkOrder) bool { return o.Open() })
		fresh := i < 0
		if fresh {
			if id, err = newOrder(ctx, tx, named.alert, who, at, approved); err != nil {
				return err
			}
		} else {
			id = orders[i].ID
		}
		unit, err := records(ctx, tx, `where unit = ?`, named.alert.Unit)
		if err != nil {
			return err
		}
		for _, r := range unit {
			s := r.state(now)
			along := fresh && (s == Open || s == Acknowledged) && r.alert.Kind != analyze.NotRunning
			if r.id != named.id && !along {
				continue
			}
			if err := b.put(ctx, tx, r, id, Ordered, AuditEntry{At: at, Who: who, From: s, To: Ordered, Why: "work order " + id}); err != nil {
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

// put binds an alert to an order and writes that to the alert's history.
func (b *Book) put(ctx context.Context, tx *sql.Tx, r *record, order string, to State, e AuditEntry) error {
	r.decision, r.until, r.order = to, nil, order
	if err := r.save(ctx, tx); err != nil {
		return err
	}
	return b.note(ctx, tx, r.id, e)
}

// newOrder makes the unit's next order. Its id depends on the unit and the count of its orders only.
func newOrder(ctx context.Context, tx *sql.Tx, a Alert, who string, at time.Time, approved bool) (string, error) {
	var n int
	if err := tx.QueryRowContext(ctx, `select coalesce(max(ordinal), 0) + 1 from work_orders where unit = ?`, a.Unit).Scan(&n); err != nil {
		return "", err
	}
	id := idOf("w", a.Unit, strconv.Itoa(n))
	if _, err := tx.ExecContext(ctx, `insert into work_orders (id, unit, ordinal, vin, created_at, created_by, state) values (?, ?, ?, ?, ?, ?, ?)`,
		id, a.Unit, n, a.VIN, stamp(at), who, string(OrderProposed)); err != nil {
		return "", err
	}
	if err := noteOrder(ctx, tx, OrderEntry{Order: id, At: at, Who: who, To: OrderProposed}); err != nil || !approved {
		return id, err
	}
	if _, err := tx.ExecContext(ctx, `update work_orders set state = ? where id = ?`, string(OrderApproved), id); err != nil {
		return "", err
	}
	return id, noteOrder(ctx, tx, OrderEntry{Order: id, At: at, Who: who, From: OrderProposed, To: OrderApproved})
}

// Orders are all work orders: open ones first, the earliest due first. It is never nil.
func (b *Book) Orders(ctx context.Context) ([]WorkOrder, error) {
	list, err := b.orders(ctx, "")
	if err != nil {
		return nil, fmt.Errorf("work orders: %w", err)
	}
	last := func(o *WorkOrder) int {
		if o.Open() {
			return 0
		}
		return 1
	}
	slices.SortFunc(list, func(x, y WorkOrder) int {
		return cmp.Or(last(&x)-last(&y), compareDates(x.DueBy, y.DueBy), x.CreatedAt.Compare(y.CreatedAt), cmp.Compare(x.ID, y.ID))
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

// orders reads orders with their alerts.
func (b *Book) orders(ctx context.Context, where string, args ...any) ([]WorkOrder, error) {
	plain, err := rows(ctx, b.db, where, args...)
	if err != nil {
		return nil, err
	}
	rs, err := records(ctx, b.db, `where order_id <> ''`)
	if err != nil {
		return nil, err
	}
	by := map[string][]*record{}
	for _, r := range rs {
		by[r.order] = append(by[r.order], r)
	}
	now, list := b.now(), make([]WorkOrder, 0, len(plain))
	for _, o := range plain {
		for _, r := range by[o.ID] {
			o.add(r.shown(now))
		}
		o.expire(now)
		Rank(o.Alerts)
		for _, a := range o.Alerts {
			o.AlertIDs = append(o.AlertIDs, a.ID)
		}
		list = append(list, *o)
	}
	return list, nil
}

func (o *WorkOrder) add(a Alert) {
	o.Alerts = append(o.Alerts, a)
	if p10 := a.earliest(); onOrder(a.State) && p10 != nil && (o.DueBy == nil || p10.Before(*o.DueBy)) {
		o.DueBy = p10
	}
}

// expire ends a deferral whose time is over.
func (o *WorkOrder) expire(now time.Time) {
	if last := o.Last(); last != nil && last.Verdict != nil && last.Verdict.State == ProofWaiting && last.Verdict.Expected != nil {
		last.Verdict.Chase = now.After(*last.Verdict.Expected) // time passes without readings too
	}
	if o.State == OrderDeferred && o.Deferred != nil && !now.Before(o.Deferred.Until) {
		o.State, o.Deferred = OrderApproved, nil
	}
}

// rows reads orders without their alerts, in the order they were made.
func rows(ctx context.Context, q queryer, where string, args ...any) ([]*WorkOrder, error) {
	rs, err := q.QueryContext(ctx, `select id, unit, vin, created_at, created_by, state, body from work_orders `+where+` order by unit, ordinal`, args...)
	if err != nil {
		return nil, err
	}
	defer rs.Close()
	var list []*WorkOrder
	for rs.Next() {
		o := &WorkOrder{AlertIDs: []string{}}
		var at, body string
		if err := rs.Scan(&o.ID, &o.Unit, &o.VIN, &at, &o.CreatedBy, &o.State, &body); err != nil {
			return nil, err
		}
		t, err := date(at)
		if err != nil || t == nil {
			return nil, fmt.Errorf("order %s: created_at %q: %w", o.ID, at, err)
		}
		o.CreatedAt = *t
		if err := json.Unmarshal([]byte(body), &o.Visit); err != nil {
			return nil, fmt.Errorf("order %s: %w", o.ID, err)
		}
		list = append(list, o)
	}
	return list, rs.Err()
}

// save writes what people decided about an order.
func (o *WorkOrder) save(ctx context.Context, tx *sql.Tx) error {
	body, err := json.Marshal(o.Visit)
	if err != nil {
		return fmt.Errorf("order %s: %w", o.ID, err)
	}
	_, err = tx.ExecContext(ctx, `update work_orders set state = ?, body = ? where id = ?`, string(o.State), string(body), o.ID)
	return err
}
