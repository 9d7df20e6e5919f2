package dashboards

import (
	"context"

	"marginline/alerts"
)

// Book is the alert book.
type Book interface {
	List(ctx context.Context, all bool) ([]alerts.Alert, error)
}
