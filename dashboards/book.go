package dashboards

import (
	"context"
	"time"

	"marginline/alerts"
)

// Book is the alert book and the work orders made from it. An id may be given by its beginning; one that
// is not there, or not the only one, gives an error that wraps alerts.ErrNotFound or alerts.ErrAmbiguous.
type Book interface {
	List(ctx context.Context, all bool) ([]alerts.Alert, error)
	Get(ctx context.Context, id string) (*alerts.Alert, []alerts.AuditEntry, error)
	Acknowledge(ctx context.Context, id, who, reason string, until time.Time) error
	Explain(ctx context.Context, id, who, reason string, until time.Time) error
	Mute(ctx context.Context, id, who, reason string, until time.Time) error
	Reopen(ctx context.Context, id, who, reason string) error
	Order(ctx context.Context, alertID, who string, at time.Time) (*alerts.WorkOrder, error)
	Orders(ctx context.Context) ([]alerts.WorkOrder, error)
	OrderByID(ctx context.Context, id string) (*alerts.WorkOrder, error)
}
